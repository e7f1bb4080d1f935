import { describe, expect, test } from 'vitest';
import { firing, metricsIn, parseMetrics } from './monitor.ts';

const TEXT = `# HELP waiting how many
# TYPE waiting gauge
waiting 3
seen{client="a"} 100
seen{client="b",replica="1"} 40
seen{client="b",replica="2"} 90
allowed{client="a"} 30
allowed{client="b"} 30
ahead{client="a"} -61
hits_total{result="bad"} 7
hits_total{result="good"} 9
`;
const known = { nowSeconds: 125, samples: parseMetrics(TEXT), before: parseMetrics('hits_total{result="bad"} 5\n') };

describe('a rule', () => {
  test.each([
    ['waiting > 2', [{}]],
    ['waiting > 3', []],
    ['waiting < 4', [{}]],
    ['missing > 0', []],
    ['abs(ahead) > 60', [{ client: 'a' }]],
    ['time() - max by (client) (seen) > max by (client) (allowed)', [{ client: 'b' }]],
    ['time() - seen > 24.9', [{ client: 'a' }, { client: 'b', replica: '1' }, { client: 'b', replica: '2' }]],
    ['seen{client="a"} - time() < 0', [{ client: 'a' }]],
    ['seen{client!="a"} > 50', [{ client: 'b', replica: '2' }]],
    ['increase(hits_total{result="bad"}[5m]) > 1', [{ result: 'bad' }]],
    ['increase(hits_total{result="bad"}[5m]) > 2', []],
    ['increase(hits_total[1h]) > 0', [{ result: 'bad' }]],
  ])('%s fires for %j', (expression, expected) => {
    expect(firing(expression, known).map((labels) => ({ ...labels }))).toEqual(
      expected.map((labels) => expect.objectContaining(labels) as object),
    );
  });

  test.each([
    'waiting',
    'waiting >= 2',
    'rate(hits_total[5m]) > 1',
    'waiting > 1 and seen > 1',
    '1 > waiting',
    'seen{client=~"a"} > 1',
    'sum(seen) > 1',
  ])('in a form that is not known is refused: %s', (expression) => {
    expect(() => firing(expression, known)).toThrow();
  });
});

test('the metrics of an expression are found', () => {
  expect(metricsIn('time() - max by (client) (seen{a="b"}) > max by (client) (allowed)')).toEqual(['seen', 'allowed']);
  expect(metricsIn('increase(hits_total{result="bad"}[5m]) > 1')).toEqual(['hits_total']);
});

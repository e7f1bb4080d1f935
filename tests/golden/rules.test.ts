/** Every golden file of `rules/` through the real use case, against the answer it writes down. */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { GOLDEN_FOLDER, renewed } from '../../scripts/write-golden.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { loadRuleExamples, SIDES, type RuleExample, type Side } from '../../src/rule-examples.ts';

const IDS = RULES.map(({ id }) => id);
const EXAMPLES = loadRuleExamples();
const FILES = IDS.flatMap((rule) => SIDES.map((side) => [rule, side] as const));
const read = (rule: string, side: Side): string => readFileSync(join(GOLDEN_FOLDER, rule, `${side}.json`), 'utf8');

describe('the folder rules/', () => {
  test('has a pass and a fail file for every rule, no folder without its rule, and nothing else', () => {
    const found = readdirSync(GOLDEN_FOLDER, { recursive: true, withFileTypes: true })
      .filter((entry) => entry.isFile())
      .map(({ parentPath, name }) => join(parentPath, name).slice(GOLDEN_FOLDER.length + 1));
    expect(found.sort()).toEqual(['README.md', ...FILES.map(([rule, side]) => `${rule}/${side}.json`)].sort());
  });

  test('is what the service loads', () => {
    expect([...EXAMPLES.keys()].sort()).toEqual([...IDS].sort());
    expect([...EXAMPLES.values()].filter(({ pass, fail }) => !pass || !fail)).toEqual([]);
  });
});

describe('a golden file', () => {
  test.each(FILES)('%s/%s.json holds the whole answer that the service gives (npm run golden rewrites it)', async (rule, side) => {
    const text = read(rule, side);
    const today = await renewed(text, rule, side);
    if (!today.ok) expect.fail(today.problem);
    expect(text).toBe(today.text);
  });

  test.each(IDS)('of %s tells its story in one or two sentences, another in each file', (rule) => {
    const { pass, fail } = EXAMPLES.get(rule) ?? {};
    for (const example of [pass, fail]) {
      expect(example?.story).toMatch(/^[A-Z][^{}<>]{20,230}\.$/);
      expect(example?.story.match(/[.?!]["”]?(?=\s|$)/g)?.length).toBeLessThanOrEqual(2);
    }
    expect(pass?.story).not.toBe(fail?.story);
  });

  test('names nobody who is not said to be invented', () => {
    const named = [...EXAMPLES].flatMap(([rule, { pass, fail }]) =>
      [pass, fail].flatMap((example) => (example ? namesIn(example).map((name) => `${rule}: ${name}`) : [])),
    );
    expect(named.length).toBeGreaterThan(100);
    expect(named.filter((name) => !name.endsWith('(invented)'))).toEqual([]);
  });
});

/** The names of the Patients that the service is told of. */
function namesIn({ before = [], request }: RuleExample): string[] {
  return [...before, request].flatMap((sent) => {
    if (!('body' in sent) || sent.body['resourceType'] !== 'Patient') return [];
    return (sent.body['name'] as unknown as readonly { readonly text: string }[]).map(({ text }) => text);
  });
}

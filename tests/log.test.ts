import { describe, expect, test } from 'vitest';
import { createLog } from '../src/log.ts';

/** A name as a file or a caller could make it up: line breaks, control characters, a line of ours in it. */
const MADE_UP = 'limits\n{"level":"info","msg":"listening"}\r\u001b[2K\u0000\u2028';

function logged(write: (log: ReturnType<typeof createLog>) => void): readonly string[] {
  const lines: string[] = [];
  write(createLog('info', { write: (text) => void lines.push(text) }));
  return lines;
}

describe('a line of the log', () => {
  test('is one JSON object that says when, in UTC', () => {
    const [line = '', ...others] = logged((log) =>
      log.request({ requestId: 'r1', method: 'GET', route: 'none', status: 404, durationMs: 1 }),
    );
    expect(others).toEqual([]);
    const { time, level, msg, requestId } = JSON.parse(line) as Record<string, unknown>;
    expect(time).toMatch(/^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z$/);
    expect([level, msg, requestId]).toEqual(['info', 'answered', 'r1']);
  });

  test.each<readonly [string, (log: ReturnType<typeof createLog>) => void]>([
    ['a request', (log) => log.request({ requestId: MADE_UP, method: MADE_UP, route: MADE_UP, status: 200, durationMs: 1 })],
    ['an item', (log) => log.forwarding.warn({ requestId: MADE_UP, kind: MADE_UP, elements: [MADE_UP] }, 'postponed')],
    ['a broken policy file', (log) => log.reloaded({ kind: 'kept', now: 'v1', problems: [{ name: MADE_UP, problem: MADE_UP }] })],
  ])('of %s stays one, whatever stands in its fields', (_what, write) => {
    const lines = logged(write);
    expect(lines).toHaveLength(1);
    expect(lines[0]?.trimEnd()).not.toMatch(/[\u0000-\u001f]/);
    expect(JSON.stringify(JSON.parse(lines[0] ?? ''))).toContain(JSON.stringify(MADE_UP).slice(1, -1));
  });

  test('of an error that nobody foresaw says its class and place, and nothing of its message', () => {
    const [line = ''] = logged((log) => log.fault(new TypeError('MARKEDNAME weighs 70.5 kg'), { requestId: 'r1', during: 'process' }));
    expect(JSON.parse(line)).toMatchObject({ level: 'error', msg: 'fault', during: 'process', requestId: 'r1' });
    expect(line).toContain('TypeError');
    expect(line).not.toContain('MARKEDNAME');
  });
});

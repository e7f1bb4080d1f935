import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, test } from 'vitest';
import { MOVABLE_RULES } from '../src/core/rules/index.ts';
import { createIntake } from '../src/ingest.ts';
import { PolicyHolder } from '../src/policy-in-force.ts';
import type { Store } from '../src/ports.ts';
import { openSqliteStore } from '../src/store/sqlite.ts';
import { arrived } from './arrived.ts';
import { rulesIn } from './ingest/desk.ts';
import { CLOCK, weight } from './measurements.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-reload-'));
afterAll(() => rmSync(folder, { recursive: true, force: true }));
const file = join(folder, 'policy.json');

function holding(text: string): PolicyHolder {
  writeFileSync(file, text);
  return new PolicyHolder(file, MOVABLE_RULES);
}

describe('the policy in force', () => {
  test('changes when a valid file is read again, and says from which to which', () => {
    const policy = holding('{"time.oldestDays": 20}');
    const before = policy.current;
    writeFileSync(file, '{"time.oldestDays": 10}');
    expect(policy.current).toBe(before);
    expect(policy.reload()).toEqual({ kind: 'loaded', before: before.version, now: policy.current.version });
    expect(policy.current.values['time.oldestDays']).toBe(10);
    expect(before.values['time.oldestDays']).toBe(20);
  });

  test.each([
    ['a name that is none', '{"nonsense": 1}', { name: 'nonsense', problem: 'no setting has this name' }],
    ['half a file', '{"time.oldestDays": ', { problem: 'is not acceptable JSON: this is not well-formed JSON, line 1, column 21' }],
    ['an empty file', '', { problem: 'is not acceptable JSON: this is not well-formed JSON, line 1, column 1' }],
  ])('stays when the file holds %s, until a reload finds it mended', (_what, text, problem) => {
    const policy = holding('{"time.oldestDays": 20}');
    const before = policy.current;
    writeFileSync(file, text);
    expect(policy.reload()).toEqual({ kind: 'kept', now: before.version, problems: [problem] });
    expect([policy.current === before, policy.lastReloadFailed]).toEqual([true, true]);
    writeFileSync(file, '{"time.oldestDays": 20}');
    expect(policy.reload().kind).toBe('loaded');
    expect([policy.current.version, policy.lastReloadFailed]).toEqual([before.version, false]);
  });

  test('stays when the file is gone', () => {
    const policy = holding('{}');
    rmSync(file);
    expect(policy.reload()).toMatchObject({ kind: 'kept', problems: [{ problem: `cannot be read (ENOENT): ${file}` }] });
  });

  test('is the built-in one, and nothing to reload, without a file', () => {
    const policy = new PolicyHolder(undefined, MOVABLE_RULES);
    expect(policy.reload()).toEqual({ kind: 'no-file', now: policy.current.version });
    expect(policy.lastReloadFailed).toBe(false);
  });
});

describe('a call that was begun before a reload', () => {
  test('is judged, kept and answered by the policy that it began with', async () => {
    const policy = holding('{"metricOnly": true}');
    const [before] = [policy.current.version];
    const store = await openSqliteStore(':memory:', { clock: CLOCK });
    let beginning: () => void = () => undefined;
    // the file is replaced between the arrival of the call and the turn of its unit of work
    const slow: Store = {
      read: store.read,
      outbox: store.outbox,
      audit: store.audit,
      sessions: store.sessions,
      subscriptions: store.subscriptions,
      exports: store.exports,
      waitingUnits: () => store.waitingUnits(),
      onCommit: store.onCommit.bind(store),
      isReady: () => store.isReady(),
      close: () => store.close(),
      write: (work) => {
        beginning();
        return store.write(work);
      },
    };
    let issued = 0;
    const newId = (): string => `r${(issued += 1)}`;
    const intake = createIntake({ store: slow, clock: CLOCK, policy: () => policy.current, newId, knownBases: [], forwards: false });
    const { tree, text } = arrived(weight('154.5', '[lb_av]'));
    beginning = () => {
      writeFileSync(file, '{"metricOnly": false}');
      policy.reload();
    };
    const answer = await intake.create(tree, text);
    beginning = () => undefined;
    expect([answer.verdict, rulesIn(answer)]).toEqual(['refused', expect.arrayContaining(['metric-only'])]);
    expect(answer.outcome.extension?.[0]?.valueString).toBe(before);
    expect((await store.read.refusals(1))[0]?.outcome).toContain(before);

    const next = await intake.create(tree, text);
    expect([next.verdict, next.outcome.extension?.[0]?.valueString]).toEqual(['accepted', policy.current.version]);
    await store.close();
  });
});

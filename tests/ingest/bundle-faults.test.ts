/** A Bundle full of faults: its answer stays in proportion to it. */
import { expect, test } from 'vitest';
import { objects, postEntry } from '../published/readings.ts';
import { treeOf } from '../http/edge.ts';
import { startService } from '../service.ts';
import { isJsonObject } from '../../src/core/json.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { createIntake, type Intake } from '../../src/ingest.ts';
import type { Store } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { arrived, parsed } from '../arrived.ts';
import { CLOCK, weight } from '../measurements.ts';

const FAULTY = postEntry(`{"resourceType":"Observation","category":[${new Array(50).fill('{}').join(',')}]}`);
const bundle = (type: string, entries: number) =>
  `{"resourceType":"Bundle","type":"${type}","entry":[${new Array(entries).fill(FAULTY).join(',')}]}`;

test('an entry of a batch is told ten faults, and how many more there are', async () => {
  const service = await startService({ now: '2026-03-02T10:00:00Z' });
  const answer = await service.post('', bundle('batch', 2));
  for (const { response } of objects(treeOf(answer)['entry'])) {
    const outcome = isJsonObject(response) ? response['outcome'] : undefined;
    const issues = isJsonObject(outcome) ? objects(outcome['issue']) : [];
    expect(issues).toHaveLength(11);
    expect(issues.at(-1)?.['diagnostics']).toMatch(/there are \d+ more faults in this entry/);
  }
  await service.close();
});

test('of a transaction with very many faults each failed entry is told its first', async () => {
  const service = await startService({ now: '2026-03-02T10:00:00Z' });
  const few = objects(treeOf(await service.post('', bundle('transaction', 10)))['issue']);
  expect(few).toHaveLength(110);
  const many = objects(treeOf(await service.post('', bundle('transaction', 200)))['issue']);
  expect(many).toHaveLength(200);
  expect(new Set(many.map(({ expression }) => JSON.stringify(expression))).size).toBe(200);
  await service.close();
});

test('nobody waits for the store while the faults of a transaction are looked for', async () => {
  const store = await openSqliteStore(':memory:', { clock: CLOCK });
  const begun: string[] = [];
  const intakeOf = (who: string): Intake => {
    const write: Store['write'] = (work) => {
      begun.push(who);
      return store.write(work);
    };
    const noted = new Proxy(store, {
      get: (target, name) => {
        const member: unknown = Reflect.get(target, name, target);
        return name === 'write' ? write : typeof member === 'function' ? (member.bind(target) as unknown) : member;
      },
    });
    let issued = 0;
    const newId = (): string => `${who}-${(issued += 1)}`;
    return createIntake({ store: noted, clock: CLOCK, policy: () => DEFAULT_POLICY, newId, knownBases: [], forwards: true });
  };
  const text = bundle('transaction', 50);
  const refused = intakeOf('bundle').bundle(parsed(text), text);
  // it comes when the Bundle is already worked on, and is written before that needs the store
  const { tree, text: reading } = arrived(weight('70.0'));
  expect((await intakeOf('reading').create(tree, reading)).status).toBe(201);
  await refused;
  expect(begun.indexOf('reading')).toBe(0);
  expect(begun.indexOf('bundle')).toBeGreaterThan(0);
  await store.close();
});

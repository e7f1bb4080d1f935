import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { outcomeCounts, unexpectedLines } from '../../examples/simulator/expectations.ts';
import { sendWardDay } from '../../examples/simulator/gateway.ts';
import { recordingOf } from '../../examples/simulator/recording.ts';
import { SCENARIO_NAMES } from '../../examples/simulator/scenario-texts.ts';
import { expectationsOf, SCENARIOS } from '../../examples/simulator/scenarios.ts';
import { expectedOfCopies, sendStorm } from '../../examples/simulator/storm.ts';
import { massOf, TARES } from '../../examples/simulator/tares.ts';
import { readingKeyIn, wardDay } from '../../examples/simulator/ward-day.ts';
import { isJsonObject, parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { startService, type Service } from '../service.ts';

const NOW_MS = Date.parse('2026-03-02T12:00:00Z');

describe.each(SCENARIO_NAMES)('the scenario %s', (name) => {
  const scenario = SCENARIOS[name];
  const dayOf = (seed: number) => wardDay({ seed, nowMs: NOW_MS, rounds: scenario.rounds });
  let service: Service;
  beforeAll(async () => {
    service = await startService({ now: new Date(NOW_MS).toISOString() });
  });
  afterAll(() => service.close());

  test('is the same for the same seed, and another for another one', () => {
    expect(JSON.stringify(dayOf(3))).toBe(JSON.stringify(dayOf(3)));
    expect(JSON.stringify(dayOf(3))).not.toBe(JSON.stringify(dayOf(4)));
  });

  test('names rules that there are, and promises what it expects', () => {
    const expected = expectationsOf(dayOf(1), scenario);
    const because = new Set(expected.flatMap((one) => ('because' in one ? one.because : [])));
    for (const rule of because) expect(RULES.map(({ id }) => id)).toContain(rule);
    for (const [named] of scenario.promise.matchAll(/(?<=\()[a-z]+-[a-z-]+(?=\))/g)) expect(because).toContain(named);
  });

  test('comes out as it says, for several seeds, with the BMI that ought to follow', async () => {
    let bmi = 0;
    for (let seed = 1; seed <= 2; seed += 1) {
      const day = dayOf(seed);
      const answers =
        scenario.copies === 1
          ? await sendWardDay(day, { base: service.base, paceMs: 0 })
          : await sendStorm(day, { base: service.base, copies: scenario.copies });
      expect(unexpectedLines(answers)).toEqual([]);
      for (const { expected, answered } of outcomeCounts(expectationsOf(day, scenario), answers)) expect(answered).toBe(expected);
      bmi += day.bmi.length;
    }
    expect(await service.store.read.countObservations({ includeHeld: false, codes: [{ value: '39156-5' }] })).toBe(bmi);
  });
});

describe('a storm of duplicates', () => {
  test('leaves one stored reading of each identifier', async () => {
    const service = await startService({ now: new Date(NOW_MS).toISOString() });
    try {
      const { rounds, copies } = SCENARIOS['duplicate-storm'];
      const day = wardDay({ seed: 5, nowMs: NOW_MS, rounds });
      const answers = await sendStorm(day, { base: service.base, copies });
      expect(answers).toHaveLength(copies * day.readings.length);
      const identifiers = new Set(answers.flatMap(({ reading, storedAs }) => (storedAs ? [readingKeyIn(reading.body)] : [])));
      const ids = new Set(answers.flatMap(({ storedAs }) => storedAs ?? []));
      expect(ids.size).toBe(identifiers.size);
      for (const value of identifiers)
        expect(await service.store.read.countObservations({ includeHeld: true, identifiers: [{ value: String(value) }] })).toBe(1);
    } finally {
      await service.close();
    }
  });

  test('is told when a service stores a copy twice', async () => {
    // a service with a store for each call knows no resend: every copy is new to it
    const services = await Promise.all([1, 2].map(() => startService({ now: new Date(NOW_MS).toISOString() })));
    const ports = services.map(({ base }) => base);
    const { fetch } = globalThis;
    let turn = 0;
    globalThis.fetch = (address, init) =>
      fetch((address as string).replace(ports[0]!, init?.method === 'PUT' ? ports[0]! : ports[(turn += 1) % 2]!), init);
    try {
      const day = wardDay({ seed: 5, nowMs: NOW_MS, rounds: SCENARIOS['duplicate-storm'].rounds.slice(1, 2) });
      const answers = await sendStorm(day, { base: ports[0]!, copies: 4 });
      const [height] = day.readings;
      const copies = answers.filter(({ reading }) => reading.key === height!.key);
      expect(new Set(copies.map(({ storedAs }) => storedAs)).size).toBe(2);
      expect(copies.map(({ isAsExpected }) => isAsExpected)).toEqual([false, false, false, false]);
    } finally {
      globalThis.fetch = fetch;
      for (const service of services) await service.close();
    }
  });

  test('expects of a refused reading that it is refused each time', () => {
    const reading = { expected: { verdict: 'refused', because: ['precision-step'] } } as never;
    expect(expectedOfCopies(reading, 3).map(({ verdict }) => verdict)).toEqual(['refused', 'refused', 'refused']);
  });
});

test('any scenario may be run on a service that has had others of the same seed, or itself', async () => {
  let nowMs = NOW_MS;
  const service = await startService({ now: () => nowMs });
  try {
    for (const name of ['ward-day', 'clock-fault', 'forgotten-tare', 'forgotten-tare'] as const) {
      nowMs += 1_000;
      const day = wardDay({ seed: 1, nowMs, rounds: SCENARIOS[name].rounds });
      expect(unexpectedLines(await sendWardDay(day, { base: service.base, paceMs: 0 }))).toEqual([]);
    }
  } finally {
    await service.close();
  }
});

describe('a recording', () => {
  const linesOf = (name: (typeof SCENARIO_NAMES)[number]): JsonObject[] => {
    const { rounds, copies } = SCENARIOS[name];
    const day = wardDay({ seed: 1, nowMs: NOW_MS, rounds });
    return [...recordingOf(day, { name, recordedMs: NOW_MS, copies })].map((line) => {
      const parsed = parseExactJson(line);
      if (!parsed.ok || !isJsonObject(parsed.value)) throw new Error('a line is no JSON object');
      return parsed.value;
    });
  };

  test('says on its first line that all of it is invented, and when it was recorded', () => {
    const [first] = linesOf('ward-day');
    expect(first).toMatchObject({
      resourceType: 'Bundle',
      type: 'batch',
      timestamp: '2026-03-02T12:00:00.000Z',
      identifier: { value: 'invented people and scales: ward-day' },
    });
  });

  test('has each reading on a line of its own, and every copy of a storm', () => {
    const { rounds, copies } = SCENARIOS['duplicate-storm'];
    const readings = wardDay({ seed: 1, nowMs: NOW_MS, rounds }).readings.length;
    expect(linesOf('duplicate-storm').filter(({ resourceType }) => resourceType === 'Observation')).toHaveLength(readings * copies);
  });
});

test('chairs, cushions and slings weigh together what each of them weighs', () => {
  expect(massOf('ward-chair', 'seat-cushion').digits).toBe('18.9');
  expect(TARES['lift-sling'].mass).toBeLessThan(50); // tare.jumpLeastKg: less than this is never taken for a chair
});

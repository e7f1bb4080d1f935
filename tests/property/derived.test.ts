/** Whatever the order in which readings, corrections and withdrawals arrive, the same figures of every kind stand. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { deriveAll } from '../../src/core/derive/derive-all.ts';
import { difference } from '../../src/core/derive/difference.ts';
import { exactNumber } from '../../src/core/json.ts';
import { isStandingBmi, type PersonFacts, type StandingDerived } from '../../src/core/reading.ts';
import { OURS, SYSTEM } from '../../src/core/terminology.ts';
import { inventedTables } from '../core/growth/invented-tables.ts';
import { CLOCK, height, measured, policyWith, weight } from '../measurements.ts';
import { idOf, openDesk, type Desk } from '../ingest/desk.ts';

/** Every figure on; no hold, so that each order stores the same readings. */
const POLICY = {
  ...policyWith({
    'derive.weightChange': 'every',
    'derive.bodySurface': 'dubois',
    'derive.idealWeight': true,
    'derive.adjustedWeight': true,
    'bmi.estimatedHeight': true,
    'bmi.heightWindowDays.adult': 3,
  }),
  outcomes: Object.fromEntries(
    ['growth-implausible', 'bmi-unusual', 'bmi-impossible', 'height-change', 'weight-change-rate', 'value-unusual'].map(
      (rule) => [rule, 'warn'] as const,
    ),
  ),
};
const GROWTH = inventedTables((id) => id.startsWith('cdc'));

interface Event {
  readonly about: string;
  readonly what: 'sent' | 'withdrawn' | 'born';
  readonly of: 'weight' | 'height' | 'ulna';
  readonly time: string;
  readonly value: string;
}

const TIMES = ['2026-02-20T08:00:00Z', '2026-02-25T08:00:00Z', '2026-03-01T08:00:00Z', '2026-03-01T21:00:00Z', '2026-03-02T07:00:00Z'];
const VALUES = { weight: ['70.0', '73.1', '95.0'], height: ['165.0', '170.0'], ulna: ['25.5', '26.0'] } as const;

const reading = fc
  .record({
    of: fc.constantFrom('weight' as const, 'weight' as const, 'height' as const, 'ulna' as const),
    time: fc.constantFrom(...TIMES),
    place: fc.nat(5),
    isWithdrawn: fc.boolean(),
  })
  .map(({ of, time, place, isWithdrawn }) => ({ of, time, value: VALUES[of][place % VALUES[of].length] as string, isWithdrawn }));

/** A weight with a height, so that every story has something to derive. */
const PAIR = [
  { of: 'height', time: '2026-03-01T07:00:00Z', value: '160.0', isWithdrawn: false },
  { of: 'weight', time: '2026-03-01T07:30:00Z', value: '80.0', isWithdrawn: false },
] as const;

function bodyOf({ about, what, of, time, value }: Event, run: number): object {
  const changes = {
    status: what === 'withdrawn' ? 'entered-in-error' : 'final',
    effectiveDateTime: time,
    subject: { reference: `Patient/p${run}` },
    identifier: [{ system: 'urn:reading', value: `${about}-${run}` }],
  };
  if (of === 'weight') return weight(value, 'kg', changes);
  if (of === 'height') return height(value, 'cm', changes);
  return height('1', 'cm', {
    ...changes,
    valueQuantity: undefined,
    dataAbsentReason: { coding: [{ system: SYSTEM.dataAbsentReason, code: 'not-performed' }] },
    component: [
      {
        code: { coding: [{ system: OURS.derivedSystem, code: 'ulna-length' }] },
        valueQuantity: { ...measured(value, 'cm'), value: exactNumber(value) },
      },
    ],
  });
}

async function play(desk: Desk, events: readonly Event[], run: number, birthDate: string): Promise<string[]> {
  const ids = new Map<string, string>();
  const patient = { resourceType: 'Patient', id: `p${run}`, gender: 'female' };
  await desk.put('Patient', patient);
  for (const event of events) {
    if (event.what === 'born') {
      await desk.put('Patient', { ...patient, birthDate } as never);
      continue;
    }
    const id = ids.get(event.about);
    const answer = id === undefined ? await desk.post(bodyOf(event, run)) : await desk.correct(id, bodyOf(event, run));
    ids.set(event.about, idOf(answer));
  }
  const person: PersonFacts = { key: `Patient/p${run}`, known: true, sex: 'female', birthDate };
  const context = { nowMs: CLOCK.nowMs(), policy: POLICY, growth: GROWTH, person };
  const all = await desk.store.read.standingDerivedOf(person.key);
  const { drafts } = deriveAll(await desk.readings(person.key), context);
  // what stands is what a derivation from scratch wants: nothing is left to store
  expect(difference(drafts, { ...context, standing: all })).toEqual([]);
  const standing = all.filter(({ status }) => status !== 'entered-in-error');
  expect(standing).toHaveLength(drafts.length);
  const names = new Map([...ids].map(([about, id]) => [id, about]));
  return standing.map((figure) => shown(figure, names)).sort();
}

function shown(figure: StandingDerived, names: ReadonlyMap<string, string>): string {
  if (isStandingBmi(figure)) return `bmi ${names.get(figure.weightId)} ${names.get(figure.heightId)} ${figure.valueText}`;
  return `${figure.kind} ${figure.inputs.map((id) => names.get(id)).join(' ')} ${figure.content}`;
}

function shuffled(events: readonly Event[], numbers: fc.Stream<number>): Event[] {
  const left = [...events];
  const order: Event[] = [];
  while (left.length > 0) {
    const next = left.filter(({ about }, index) => left.findIndex((one) => one.about === about) === index);
    const chosen = next[numbers.next().value! % next.length]!;
    order.push(chosen);
    left.splice(left.indexOf(chosen), 1);
  }
  return order;
}

describe('the figures of every kind that stand', () => {
  it('equal a derivation from scratch, whatever the order of arrival', async () => {
    const desk = await openDesk({ policy: POLICY, growth: GROWTH });
    let run = 0;
    const kinds = new Set<string>();
    await fc.assert(
      fc.asyncProperty(
        fc.array(reading, { minLength: 1, maxLength: 4 }),
        fc.constantFrom('1980-05-17', '2012-06-01'),
        fc.array(fc.infiniteStream(fc.nat()), { minLength: 3, maxLength: 3 }),
        async (readings, birthDate, streams) => {
          const events: Event[] = [
            { about: 'birth', what: 'born', of: 'weight', time: '', value: '' },
            ...[...PAIR, ...readings].flatMap(({ isWithdrawn, ...one }, index) =>
              (isWithdrawn ? (['sent', 'withdrawn'] as const) : (['sent'] as const)).map((what) => ({ ...one, what, about: `r${index}` })),
            ),
          ];
          const ends: string[][] = [];
          for (const stream of streams) ends.push(await play(desk, shuffled(events, stream), (run += 1), birthDate));
          for (const end of ends) expect(end).toEqual(ends[0]);
          for (const figure of ends[0] ?? []) kinds.add(figure.split(' ')[0]!);
        },
      ),
      { numRuns: 20, seed: 20260302 },
    );
    expect([...kinds].sort()).toEqual([
      'adjusted-weight',
      'bmi',
      'bmi-percentile',
      'bmi-z',
      'body-surface',
      'estimated-height',
      'height-percentile',
      'height-z',
      'ideal-weight',
      'weight-change',
      'weight-percentile',
      'weight-z',
    ]);
  }, 60_000);
});

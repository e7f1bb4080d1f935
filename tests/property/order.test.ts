/** Whatever the order in which readings, corrections and withdrawals arrive, the same BMI stand. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { deriveBmi } from '../../src/core/derive/bmi.ts';
import type { ExactObservation } from '../../src/core/observation.ts';
import type { Policy } from '../../src/core/policy.ts';
import { height, policyWith, weight } from '../measurements.ts';
import { idOf, openDesk, type Desk } from '../ingest/desk.ts';

/** Narrow windows, so that a few days of readings meet their edges. */
const POLICY: Policy = policyWith({
  'bmi.heightWindowDays.adult': 5,
  'bmi.heightWindowDays.youth': 2,
  'change.youthHeightLossCm': '5',
});

interface Event {
  /** The reading it is about: events of one reading stay in order. */
  readonly about: string;
  readonly what: 'sent' | 'corrected' | 'withdrawn' | 'born';
  readonly of: 'weight' | 'height';
  readonly who: 'ada' | 'bo';
  readonly time: string;
  readonly value: string;
}

const times = fc.constantFrom(
  '2026-02-24T08:00:00Z',
  '2026-02-27T20:00:00Z',
  '2026-03-01T08:00:00Z',
  '2026-03-01T08:00:00.5Z',
  '2026-03-01',
  '2026-03-02T07:00:00Z',
);

interface Story {
  readonly of: Event['of'];
  readonly who: Event['who'];
  readonly events: readonly Pick<Event, 'what' | 'time'>[];
}

/** One reading with what happens to it. */
const story: fc.Arbitrary<Story> = fc
  .record({
    of: fc.constantFrom('weight' as const, 'height' as const),
    who: fc.constantFrom('ada' as const, 'ada' as const, 'bo' as const),
    time: times,
    later: times,
    then: fc.constantFrom<readonly ('corrected' | 'withdrawn')[]>(
      [],
      ['corrected'],
      ['withdrawn'],
      ['corrected', 'withdrawn'],
      ['withdrawn', 'corrected'],
    ),
  })
  .map(({ of, who, time, later, then }) => ({
    of,
    who,
    events: (['sent', ...then] as const).map((what) => ({ what, time: what === 'corrected' ? later : time })),
  }));

/** At least a weight and a height of one person, so that there is something to derive. */
const stories = (atMost: number): fc.Arbitrary<Story[]> =>
  fc
    .tuple(story, story, fc.array(story, { maxLength: atMost - 2 }))
    .map(([first, second, others]) => [{ ...first, of: 'weight', who: 'ada' }, { ...second, of: 'height', who: 'ada' }, ...others]);

/** The events of as many stories as fit; every value its own, so that no two readings are the same one. */
function eventsOf(all: readonly Story[], born: boolean, atMost = Infinity): Event[] {
  const events: Event[] = born ? [{ about: 'birth', what: 'born', of: 'weight', who: 'ada', time: '', value: '' }] : [];
  all.forEach(({ of, who, events: own }, index) => {
    if (events.length + own.length > atMost) return;
    for (const { what, time } of own) {
      const value = `${(of === 'weight' ? 70 : 170) + Math.floor(events.length / 10)}.${events.length % 10}`;
      events.push({ about: `reading-${index}`, what, of, who, time, value });
    }
  });
  return events;
}

/** All orders in which events of one reading keep theirs. */
function orders(events: readonly Event[]): Event[][] {
  if (events.length === 0) return [[]];
  const next = events.filter(({ about }, index) => events.findIndex((one) => one.about === about) === index);
  return next.flatMap((first) => orders(events.filter((one) => one !== first)).map((rest) => [first, ...rest]));
}

/** Plays the events to people of their own, and tells which BMI stand, by the senders' names for the readings. */
async function play(desk: Desk, events: readonly Event[], run: number): Promise<string[]> {
  const ids = new Map<string, string>();
  for (const { about, what, of, who, time, value } of events) {
    if (what === 'born') {
      await desk.put('Patient', { resourceType: 'Patient', id: `${who}-${run}`, birthDate: '2008-06-01' } as never);
      continue;
    }
    const status = { sent: 'final', corrected: 'corrected', withdrawn: 'entered-in-error' }[what];
    const body: ExactObservation = (of === 'weight' ? weight : height)(value, of === 'weight' ? 'kg' : 'cm', {
      status,
      effectiveDateTime: time,
      subject: { reference: `Patient/${who}-${run}` },
      identifier: [{ system: 'urn:reading', value: `${about}-${run}` }],
    });
    const id = ids.get(about);
    const answer = id === undefined ? await desk.post(body) : await desk.correct(id, body);
    if (answer.verdict !== 'accepted') throw new Error(`an event was ${answer.verdict}`);
    ids.set(about, idOf(answer));
  }
  const names = new Map([...ids].map(([about, id]) => [id, about]));
  return (
    await Promise.all(
      (['ada', 'bo'] as const).map((who) =>
        standingOf(desk, `Patient/${who}-${run}`, names, events.some(({ what }) => what === 'born') && who === 'ada'),
      ),
    )
  ).flat();
}

async function standingOf(desk: Desk, person: string, names: ReadonlyMap<string, string>, isBorn: boolean): Promise<string[]> {
  const show = (weightId: string, heightId: string, value: string, status: string): string =>
    `${names.get(weightId)} by ${names.get(heightId)}: ${value}, ${status}`;
  const readings = await desk.readings(person);
  const { drafts } = deriveBmi(readings, isBorn ? { birthDate: '2008-06-01' } : {}, POLICY);
  const fromScratch = drafts.map(({ weight: of, height: by, valueText }) =>
    show(of.id, by.id, valueText, [of.status, by.status].includes('corrected') ? 'corrected' : 'final'),
  );
  const standing = (await desk.standing(person)).map(({ weightId, heightId, valueText, status }) =>
    show(weightId, heightId, valueText, status),
  );
  expect(standing.sort()).toEqual(fromScratch.sort());
  return standing;
}

describe('the BMI that stand', () => {
  it('are the same for every order of up to five events', async () => {
    const desk = await openDesk({ policy: POLICY });
    let run = 0;
    let withBmi = 0;
    await fc.assert(
      fc.asyncProperty(stories(4), fc.boolean(), async (all, born) => {
        const ends: string[][] = [];
        for (const order of orders(eventsOf(all, born, 5))) ends.push(await play(desk, order, (run += 1)));
        if (ends[0]?.length) withBmi += 1;
        for (const end of ends) expect(end).toEqual(ends[0]);
      }),
      // a fixed seed: how many of the stories give a BMI at all is left to chance otherwise
      { numRuns: 25, seed: 20260302 },
    );
    expect(withBmi).toBeGreaterThan(2);
  });

  it('are the same for random orders of more', async () => {
    const desk = await openDesk({ policy: POLICY });
    let run = 0;
    await fc.assert(
      fc.asyncProperty(
        stories(8),
        fc.boolean(),
        fc.array(fc.infiniteStream(fc.nat()), { minLength: 4, maxLength: 4 }),
        async (all, born, streams) => {
          const events = eventsOf(all, born);
          const ends: string[][] = [];
          for (const stream of streams) ends.push(await play(desk, shuffled(events, stream), (run += 1)));
          for (const end of ends) expect(end).toEqual(ends[0]);
        },
      ),
      { numRuns: 30 },
    );
  });
});

/** A random order in which events of one reading keep theirs. */
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

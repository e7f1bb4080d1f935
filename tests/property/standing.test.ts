/**
 * What stands is a function of what was sent, never of the order in which it arrived: verdicts,
 * releases, double presses, comparisons and BMI alike. Corrections and withdrawals cascade to
 * exactly what a judgement from nothing gives.
 */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { openDesk } from '../ingest/desk.ts';
import { Life, type Sent, type Step } from './life.ts';

const DAY = 24 * 60;
const weighed = (name: string, value: string, minutesAgo: number, scale?: string): Step => ({
  kind: 'sent',
  reading: { name, of: 'weight', value, minutesAgo, ...(scale !== undefined && { scale }) },
});

/** An earlier weight, a height, a jump, a second weighing that agrees with it, and a birth date. */
const FIVE: readonly Step[] = [
  weighed('earlier', '70.0', DAY, 's1'),
  { kind: 'sent', reading: { name: 'tall', of: 'height', value: '170.0', minutesAgo: DAY + 30 } },
  weighed('jump', '84.0', 40, 's1'),
  weighed('again', '84.1', 30, 's2'),
  { kind: 'born', birthDate: '2007-06-01' },
];

function orders<Item>(items: readonly Item[]): Item[][] {
  if (items.length === 0) return [[]];
  return items.flatMap((item, index) => orders([...items.slice(0, index), ...items.slice(index + 1)]).map((rest) => [item, ...rest]));
}

describe('five events', () => {
  it('end in the same state in all 120 orders', async () => {
    const desk = await openDesk();
    const ends: string[][] = [];
    for (const [index, order] of orders(FIVE).entries()) {
      const life = new Life(desk, `p${index}`);
      for (const step of order) await life.take(step);
      ends.push(await life.state());
      expect(ends[index]).toEqual(await life.rebuilt(DEFAULT_POLICY));
    }
    expect(ends).toHaveLength(120);
    expect(ends[0]).toEqual([
      'BMI of again by tall: 29.1 final',
      'BMI of earlier by tall: 24.2 final',
      'BMI of jump by tall: 29.1 final',
      'again 84.1 final stands, repeats none, released by none, compared jump other-scale +0.1 none',
      'earlier 70.0 final stands, repeats none, released by none, compared none',
      'jump 84.0 final stands, repeats none, released by again, compared earlier  +14.0 none',
      'tall 170.0 final stands, repeats none, released by none, compared none',
    ]);
    for (const end of ends) expect(end).toEqual(ends[0]);
  });
});

/** Values that are ordinary, that jump, that are pounds or another field's; times that meet every window. */
const WEIGHTS = ['70.0', '70.0', '70.0', '70.1', '70.2', '70.4', '72.5', '63.0', '84.0', '84.1', '154.3', '7.0', '170.0', '250.0'];
const HEIGHTS = ['170.0', '170.4', '173.6', '165.0', '66.9', '150.0'];
const TIMES = [1, 1, 1, 3, 20, 200, 260, DAY, DAY + 5, 3 * DAY, 20 * DAY, 29 * DAY];

/** Every reading at a second of its own, since equal ones of one instant are resends. */
const sent = (index: number): fc.Arbitrary<Sent> =>
  fc
    .record({
      of: fc.constantFrom('weight' as const, 'weight' as const, 'height' as const),
      weight: fc.constantFrom(...WEIGHTS),
      height: fc.constantFrom(...HEIGHTS),
      minutes: fc.constantFrom(...TIMES),
      scale: fc.constantFrom(undefined, 's1', 's1', 's1', 's2'),
    })
    .map(({ of, weight, height, minutes, scale }) => ({
      name: `r${index}`,
      of,
      value: of === 'weight' ? weight : height,
      minutesAgo: minutes + index * 0.2,
      ...(scale !== undefined && of === 'weight' && { scale }),
    }));

/** One reading with what happens to it, in this order. */
const fate = (index: number): fc.Arbitrary<Step[]> =>
  fc
    .tuple(
      sent(index),
      sent(index),
      fc.constantFrom<readonly ('corrected' | 'withdrawn')[]>([], [], ['corrected'], ['withdrawn'], ['corrected', 'withdrawn']),
    )
    .map(([first, changed, then]) => [
      { kind: 'sent', reading: first } as const,
      ...then.map((kind) => ({
        kind,
        reading: { ...changed, of: first.of, value: first.of === changed.of ? changed.value : first.value },
      })),
    ]);

const fates = fc.integer({ min: 2, max: 7 }).chain((count) => fc.tuple(...Array.from({ length: count }, (_, index) => fate(index))));

/** The same press of the same scale ten seconds after the first reading. */
function twinOf([first]: readonly Step[]): Step[] {
  if (first?.kind !== 'sent') return [];
  return [{ kind: 'sent', reading: { ...first.reading, name: 'twin', minutesAgo: first.reading.minutesAgo - 1 / 6, scale: 's1' } }];
}

/** A random order in which the steps of one reading keep theirs. */
function shuffled(all: readonly (readonly Step[])[], numbers: fc.Stream<number>): Step[] {
  const left = all.map((steps) => [...steps]).filter((steps) => steps.length > 0);
  const order: Step[] = [];
  while (left.some((steps) => steps.length > 0)) {
    const open = left.filter((steps) => steps.length > 0);
    order.push(open[numbers.next().value! % open.length]!.shift()!);
  }
  return order;
}

describe('random lives', () => {
  it('end in the same state in whatever order they arrive, the one that a rebuild gives', async () => {
    const desk = await openDesk();
    let person = 0;
    const seen = new Set<string>();
    await fc.assert(
      fc.asyncProperty(
        fates,
        fc.boolean(),
        fc.boolean(),
        fc.array(fc.infiniteStream(fc.nat()), { minLength: 4, maxLength: 4 }),
        async (all, born, twin, streams) => {
          const known = born ? [...all, [{ kind: 'born', birthDate: '1980-05-17' } as const]] : all;
          const steps = twin ? [...known, twinOf(all[0]!)] : known;
          const ends: string[][] = [];
          for (const stream of streams) {
            const life = new Life(desk, `p${(person += 1)}`);
            for (const step of shuffled(steps, stream)) await life.take(step);
            ends.push(await life.state());
            expect(ends.at(-1)).toEqual(await life.rebuilt(DEFAULT_POLICY));
          }
          for (const end of ends) expect(end).toEqual(ends[0]);
          for (const line of ends[0] ?? [])
            for (const word of ['held', 'BMI of', 'released by r', 'repeats r', '+other-']) if (line.includes(word)) seen.add(word);
        },
      ),
      { numRuns: 60, seed: 20260302 },
    );
    // the lives are varied enough to show something
    expect([...seen].sort()).toEqual(['+other-', 'BMI of', 'held', 'released by r', 'repeats r']);
  });
});

describe('a thousand random edits', () => {
  it('leave what a rebuild from nothing gives, after every one of them', async () => {
    const desk = await openDesk();
    const lives = Array.from({ length: 12 }, (_, index) => new Life(desk, `p${index}`));
    const sentSoFar = lives.map(() => new Map<string, Sent>());
    const edits = fc.sample(fc.record({ who: fc.nat(11), what: fc.nat(9), which: fc.nat(), made: sent(0) }), { numRuns: 1000, seed: 11 });
    for (const [index, { who, what, which, made }] of edits.entries()) {
      const [life, known] = [lives[who]!, sentSoFar[who]!];
      const chosen = [...known.values()][which % Math.max(known.size, 1)];
      const fresh = { ...made, name: `r${index}`, minutesAgo: made.minutesAgo + index * 0.2 };
      const changed = chosen && { ...fresh, name: chosen.name, of: chosen.of, value: chosen.of === fresh.of ? fresh.value : chosen.value };
      if (what === 0) await life.take({ kind: 'born', birthDate: ['1980-05-17', '2012-01-01', '2007'][which % 3]! });
      else if (changed === undefined || what < 6) {
        known.set(fresh.name, fresh);
        await life.take({ kind: 'sent', reading: fresh });
      } else if (what < 9) {
        known.set(changed.name, changed);
        await life.take({ kind: 'corrected', reading: changed });
      } else await life.take({ kind: 'withdrawn', reading: chosen! });
      expect(await life.state(), `after edit ${index}`).toEqual(await life.rebuilt(DEFAULT_POLICY));
    }
  });
});

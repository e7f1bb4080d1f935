/**
 * A decision that was taken back was never made: not for the EHR, and not for what stands here.
 * Whatever the EHR takes, and whenever, no held reading reaches it.
 */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import type { DecisionCode } from '../../src/core/reading.ts';
import { World, type WorldStep } from './undo-world.ts';

const DAY = 24 * 60;
const RUNS = 25;
const WEIGHTS = ['70.0', '70.0', '70.2', '84.0', '84.1', '97.0', '97.2', '110.0'];
const TIMES = [1, 2, 20, 200, DAY, DAY + 5, 3 * DAY];
const CODES: readonly DecisionCode[] = ['keep', 'keep', 'correct', 'discard', 'wrong-person', 'wrong-person', 'weigh-again'];
const NAMES = Array.from({ length: 8 }, (_, index) => `n${index}`);

const life = (kinds: readonly ('sent' | 'corrected' | 'withdrawn')[]): fc.Arbitrary<WorldStep> =>
  fc
    .record({
      kind: fc.constantFrom(...kinds),
      at: fc.nat(NAMES.length - 1),
      person: fc.constantFrom(0 as const, 0 as const, 1 as const),
      isHeight: fc.integer({ min: 0, max: 4 }).map((one) => one === 0),
      value: fc.constantFrom(...WEIGHTS),
      minutes: fc.constantFrom(...TIMES),
      scale: fc.constantFrom(undefined, 's1', 's2'),
    })
    .map(({ kind, at, person, isHeight, value, minutes, scale }) => ({
      kind: 'life',
      person,
      step: {
        kind,
        reading: {
          name: NAMES[at]!,
          of: isHeight ? 'height' : 'weight',
          value: isHeight ? '170.0' : value,
          minutesAgo: minutes + at * 0.2,
          // people on one scale are looked for when a weight arrives, and that is not done again
          ...(scale !== undefined && !isHeight && { scale: `${scale}-${person}` }),
        },
      },
    }));

const name = fc.constantFrom(...NAMES);
const decided = fc
  .record({ name, code: fc.constantFrom(...CODES), value: fc.constantFrom('70.1', '84.0', '97.1') })
  .map((one): WorldStep => ({ kind: 'decide', ...one }));
const undone = name.map((one): WorldStep => ({ kind: 'undo', name: one }));
const ehr = fc
  .constantFrom('sent' as const, 'sent' as const, 'unclear' as const, 'lost' as const)
  .map((outcome): WorldStep => ({ kind: 'ehr', outcome }));
const passed = fc.constantFrom(1, 4, 11, 60, 301).map((seconds): WorldStep => ({ kind: 'pass', seconds }));

const steps = (kinds: readonly ('sent' | 'corrected' | 'withdrawn')[]): fc.Arbitrary<WorldStep[]> =>
  fc.array(
    fc.oneof(
      { weight: 5, arbitrary: life(kinds) },
      { weight: 5, arbitrary: decided },
      { weight: 4, arbitrary: undone },
      { weight: 3, arbitrary: ehr },
      { weight: 2, arbitrary: passed },
    ),
    { minLength: 12, maxLength: 40 },
  );

/** A name is sent once, and corrected or withdrawn only after that, for the same person and measure. */
function sensible(all: readonly WorldStep[]): WorldStep[] {
  const sent = new Map<string, Extract<WorldStep, { kind: 'life' }>>();
  return all.flatMap((step): WorldStep[] => {
    if (step.kind !== 'life') return [step];
    const { reading } = step.step;
    const before = sent.get(reading.name);
    if (before === undefined) {
      const first = { ...step, step: { ...step.step, kind: 'sent' as const } };
      sent.set(reading.name, first);
      return [first];
    }
    if (step.step.kind === 'sent') return [];
    const { of } = before.step.reading;
    return [
      {
        ...step,
        person: before.person,
        step: { ...step.step, reading: { ...reading, of, value: of === reading.of ? reading.value : before.step.reading.value } },
      },
    ];
  });
}

/** At what waits, and at what was decided last: aimed at anything, few decisions would hit. */
async function aimed(step: WorldStep, world: World, latest: string | undefined): Promise<WorldStep> {
  if (step.kind === 'undo') return { ...step, name: latest ?? step.name };
  if (step.kind !== 'decide') return step;
  const held = await world.heldNames();
  return { ...step, name: held[NAMES.indexOf(step.name) % Math.max(held.length, 1)] ?? step.name };
}

/** A world in which all of it happened, and what of it lasts: without decisions that were taken back. */
async function lived(all: readonly WorldStep[], seen: Set<string>): Promise<{ readonly world: World; readonly kept: WorldStep[] }> {
  const world = await World.open();
  const kept: WorldStep[] = [];
  let latest: string | undefined;
  for (const drawn of sensible(all)) {
    const step = await aimed(drawn, world, latest);
    const came = await world.take(step);
    seen.add(`${step.kind} ${came}`);
    if (came !== 'done') continue;
    if (step.kind === 'decide') {
      seen.add(step.code);
      latest = step.name;
    }
    if (step.kind !== 'undo') kept.push(step);
    else {
      const last = kept.findLastIndex((one) => one.kind === 'decide' && one.name === step.name);
      const [taken] = kept.splice(last, 1);
      if (taken?.kind === 'decide') seen.add(`undo of ${taken.code}`);
    }
  }
  return { world, kept };
}

describe('lives with decisions that are taken back', () => {
  const seen = new Set<string>();

  it('never tell the EHR of what is held, and end with all that stands there, as a rebuild gives it', async () => {
    await fc.assert(
      fc.asyncProperty(steps(['sent', 'sent', 'sent', 'corrected', 'withdrawn']), async (all) => {
        const { world } = await lived(all, seen);
        await world.drain();
        // what its sender corrected to a doubtful value stays at the EHR as it was until that is settled
        expect(world.chart(await world.heldNames())).toEqual(await world.standing());
        for (const one of world.lives) expect(await one.state()).toEqual(await one.rebuilt(DEFAULT_POLICY));
        await world.desk.store.close();
      }),
      { numRuns: RUNS, seed: 20261201 },
    );
  });

  it('tell the EHR what they would have told it, had those decisions never been made', async () => {
    await fc.assert(
      fc.asyncProperty(steps(['sent']), async (all) => {
        const { world, kept } = await lived(oneAtATime(all), seen);
        const other = await World.open();
        for (const step of kept) expect(await other.take(step)).toBe('done');
        await world.drain();
        await other.drain();
        expect(world.chart()).toEqual(other.chart());
        // what was withdrawn in time need not be struck: it may be less, never more
        expect(other.struck()).toEqual(expect.arrayContaining(world.struck()));
        for (const [index, one] of world.lives.entries())
          expect(valid(await one.state())).toEqual(valid(await other.lives[index]!.state()));
        await Promise.all([world, other].map(({ desk }) => desk.store.close()));
      }),
      { numRuns: RUNS, seed: 20261202 },
    );
  });

  it('are varied enough to show something', () => {
    expect([...seen]).toEqual(expect.arrayContaining([...CODES, ...CODES.map((code) => `undo of ${code}`), 'undo ERR_CONFLICT']));
  });
});

/** A decision on what another one made doubtful would be none without that one: each is settled before the next. */
function oneAtATime(all: readonly WorldStep[]): WorldStep[] {
  return all.flatMap((step): WorldStep[] => (step.kind === 'decide' ? [{ kind: 'pass', seconds: 301 }, step] : [step]));
}

/** What was made for another person has an id of its own in each world, and is nobody's once it is void again. */
function valid(state: readonly string[]): string[] {
  const named = state.map((line) => line.replaceAll(/unknown r\d{5}/g, 'moved'));
  return named.filter((line) => !/^moved .* entered-in-error /.test(line)).sort();
}

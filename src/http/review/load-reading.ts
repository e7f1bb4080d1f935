/** Reads one reading with everything that its page says of it. */
import type { UsableReading } from '../../core/derive/bmi.ts';
import { whyNotDecidable } from '../../core/decision.ts';
import type { GrowthTables } from '../../core/growth/tables.ts';
import type { Policy } from '../../core/policy.ts';
import { unitsOf } from '../../core/quantity.ts';
import { isUsable, type Reading } from '../../core/reading.ts';
import { acceptedSpan } from '../../core/serial/accepted-span.ts';
import { viewAmong } from '../../core/serial/judge.ts';
import { byTime } from '../../core/serial/order.ts';
import type { View } from '../../core/serial/view.ts';
import { isUnassigned } from '../../core/unassigned.ts';
import type { StoredResource } from '../../ports.ts';
import { figuresOf } from '../../review/arithmetic.ts';
import { chartOf, conditionPairs, earlierRows } from '../../review/comparing.ts';
import type { DecisionOffer, FilledDecision, UndoOffer } from '../../review/decisions.ts';
import type { ReadingInWords } from '../../review/reading.ts';
import { measuredAt } from '../../review/words.ts';
import type { KnownDevice, KnownPerson } from './directory.ts';
import type { Surroundings } from './load-worklist.ts';
import { reasonsOf } from './reasons.ts';
import { standingOf } from './standing.ts';

export interface ReadingSurroundings extends Surroundings {
  readonly policy: Policy;
  readonly growth?: GrowthTables;
}

/** Who looks at the page, as far as the forms on it depend on that. */
export interface Deciding {
  readonly formToken: string;
  readonly asksWho: boolean;
  /** Why whoever looks at it may decide nothing. */
  readonly whyNot?: string;
  readonly filled?: FilledDecision;
  /** Until when the last decision can be taken back: `12:45:10`. */
  readonly undoUntil?: string;
}

/** Undefined when there is no such reading; a derived BMI is none. */
export async function loadReading(id: string, surroundings: ReadingSurroundings, deciding: Deciding): Promise<ReadingInWords | undefined> {
  const { read, directory, policy, growth, rules } = surroundings;
  const [current, reading] = [await read.current('Observation', id), await read.readingOf(id)];
  if (current === undefined || reading === undefined) return undefined;
  const isNobodys = isUnassigned(reading.person);
  const others = isNobodys ? [reading] : await read.readingsOf(reading.person);
  const facts = await directory.facts(reading.person);
  const view = viewAmong(others, id, { person: facts, policy, ...(growth && { growth }) });
  const person = isNobodys ? { key: reading.person, name: 'Nobody yet' } : await directory.person(reading.person);
  const scale = reading.device === undefined ? undefined : await directory.device(reading.device);
  const names = await namesIn([reading, ...(view ? [...view.accepted.weight, ...view.accepted.height] : [])], directory);
  const standing = await standingOf(reading, current, surroundings);
  return {
    ...plainFacts(reading, names, { person, scale, isNobodys, zone: surroundings.zone }),
    standing,
    reasons: standing.isHeld && !isNobodys ? await reasonsOf(read, reading, rules) : [],
    ...compared(view, others, reading, names, surroundings),
    policy: policy.version,
    ...offers(reading, current, deciding),
  };
}

type Names = ReadonlyMap<string, string>;

async function namesIn(readings: readonly Reading[], directory: Surroundings['directory']): Promise<Names> {
  const keys = new Set(readings.flatMap(({ device, tareDevices = [] }) => [...(device === undefined ? [] : [device]), ...tareDevices]));
  return new Map(await Promise.all([...keys].map(async (key) => [key, (await directory.device(key)).name] as const)));
}

interface Around {
  readonly person: KnownPerson;
  readonly scale: KnownDevice | undefined;
  readonly isNobodys: boolean;
  readonly zone: string;
}

function plainFacts({ id, of, quantity, gross, tare, tareDevices = [], effective }: Reading, names: Names, around: Around) {
  const { person, scale, isNobodys, zone } = around;
  const ward = scale?.ward ?? person.ward;
  return {
    id,
    of,
    person,
    isUnassigned: isNobodys,
    measured: measuredAt(effective, zone),
    subtracted: tareDevices.map((key) => names.get(key) ?? key),
    ...(quantity && { quantity }),
    ...(gross && { gross }),
    ...(tare && { tare }),
    ...(scale && { scale }),
    ...(ward && { ward }),
  };
}

/** What a rule saw of it; of what no rule compares (withdrawn, without a number) only the conditions. */
function compared(
  view: View | undefined,
  others: readonly Reading[],
  reading: Reading,
  names: Names,
  { policy, zone }: ReadingSurroundings,
): Pick<ReadingInWords, 'figures' | 'earlier' | 'conditions' | 'chart'> {
  const comparing = { policy, zone, nameOf: (key: string) => names.get(key) ?? key };
  const before =
    view?.accepted[reading.of] ??
    others
      .filter(isUsable)
      .filter((other) => isBefore(other, reading))
      .sort(byTime);
  const conditions = conditionPairs(reading, before.at(-1), comparing);
  if (view === undefined) return { figures: [], earlier: [], conditions };
  const span = acceptedSpan(view);
  return {
    figures: figuresOf(view, span, zone),
    earlier: earlierRows(view.reading, before, comparing),
    chart: chartOf(view.reading, before, span, comparing),
    conditions,
  };
}

function isBefore(other: UsableReading, { id, of, effective }: Reading): boolean {
  return other.id !== id && other.of === of && other.effective.startMs <= effective.startMs;
}

function offers(
  reading: Reading,
  { version, lastUpdated }: StoredResource,
  { formToken, asksWho, whyNot, filled, undoUntil }: Deciding,
): Pick<ReadingInWords, 'decisions' | 'undo'> {
  const { id, of, quantity, askedAgain, person } = reading;
  const isDecidable = whyNotDecidable(reading, 'discard', lastUpdated) === undefined;
  const decisions: DecisionOffer = {
    id,
    version,
    formToken,
    asksWho,
    units: unitsOf(of),
    isUnassigned: isUnassigned(person),
    isAsked: askedAgain !== undefined,
    ...(quantity && { quantity }),
    ...(whyNot !== undefined && { whyNot }),
    ...(filled && { filled }),
  };
  const undo: UndoOffer | undefined =
    undoUntil === undefined || whyNot !== undefined
      ? undefined
      : { id, version, formToken, asksWho, until: undoUntil, ...(filled?.who !== undefined && { who: filled.who }) };
  return { ...(isDecidable && { decisions }), ...(undo && { undo }) };
}

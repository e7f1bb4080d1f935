/** Who else stood on the same scale within minutes, when a doubtful weight could be theirs. */
import { compare, decimal, divideHalfUp, subtract, toText } from '../core/decimal.ts';
import type { Evaluation } from '../core/evaluate.ts';
import type { Policy } from '../core/policy.ts';
import { inBaseUnit } from '../core/quantity.ts';
import { isUsable, type OtherPerson, type Reading } from '../core/reading.ts';
import { isMoreThanPercent, magnitude } from '../core/serial/change.ts';
import type { StoreReader } from '../ports.ts';

/** More than can be weighed on one scale within the window. */
const MOST_ON_ONE_SCALE = 60;

/**
 * The readings of other people near in time on the scale of a held weight whose own last accepted
 * weight it fits, the nearest first. No name and no id of a person comes along.
 */
export async function othersOnTheScale(
  reader: StoreReader,
  { verdict, findings, stored }: Evaluation,
  policy: Policy,
): Promise<OtherPerson[]> {
  const reading = stored?.reading;
  const isAboutTheNumber = findings.some(
    ({ rule, outcome }) => outcome === 'hold' && (rule.family === 'change' || rule.family === 'plausibility'),
  );
  if (verdict !== 'held' || reading?.of !== 'weight' || reading.device === undefined || !isAboutTheNumber) return [];
  if (reading.effective.precision === 'day') return [];
  const windowMs = policy.values['mixup.otherPerson.minutes'] * 60_000;
  const { startMs } = reading.effective;
  const near = await reader.weightsOnScale(reading.device, startMs - windowMs, startMs + windowMs, MOST_ON_ONE_SCALE);
  const found: OtherPerson[] = [];
  for (const other of near.filter(({ person, status }) => person !== reading.person && status !== 'entered-in-error')) {
    const last = await lastBefore(reader, other);
    const difference = last && fitting(reading, last, policy);
    if (difference === undefined) continue;
    found.push({
      observation: other.id,
      minutesApart: Math.round(Math.abs(other.effective.startMs - startMs) / 60_000),
      differenceKg: difference,
    });
  }
  return found.sort((a, b) => a.minutesApart - b.minutesApart || compare(decimal(a.differenceKg), decimal(b.differenceKg)));
}

async function lastBefore(reader: StoreReader, { person, effective, id }: Reading): Promise<Reading | undefined> {
  const readings = await reader.readingsOf(person);
  return readings.findLast((one) => one.of === 'weight' && one.id !== id && isUsable(one) && one.effective.startMs < effective.startMs);
}

/** How far a weight lies from somebody's last one, in kg with one decimal; undefined when too far. */
function fitting({ quantity }: Reading, last: Reading, { values }: Policy): string | undefined {
  if (quantity === undefined || last.quantity === undefined) return undefined;
  const from = inBaseUnit(last.quantity);
  const apart = subtract(inBaseUnit(quantity), from);
  if (isMoreThanPercent(apart, from, values['mixup.otherPerson.agreesPercent'])) return undefined;
  return toText(divideHalfUp(magnitude(apart), decimal('1'), 1));
}

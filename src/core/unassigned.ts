/**
 * Readings that arrive without a person: filed for the place where they were taken until somebody
 * scans whose they are. The key of such a place is no person: nothing filed under it is ever
 * compared, joined or sent on.
 */
import { codedMeasure, effectiveOf, type ExactObservation } from './observation.ts';
import type { Policy } from './policy.ts';
import type { DeviceFacts } from './reading.ts';

const PREFIX = 'unassigned:';

/** Stands for the place in what a resend is known by: a scale that moves hides none. */
export const UNASSIGNED_ANYWHERE = PREFIX;

export function isUnassigned(personKey: string): boolean {
  return personKey.startsWith(PREFIX);
}

/**
 * The key under which a reading without a subject is kept; undefined when the policy wants none of
 * them, for a BMI, and where only the day is known: there is no time within which to claim it.
 */
export function unassignedKey(
  observation: ExactObservation,
  device: DeviceFacts | undefined,
  { values }: Pick<Policy, 'values'>,
): string | undefined {
  if (!values['unassigned.accept'] || observation.subject !== undefined) return undefined;
  const of = codedMeasure(observation)?.of;
  if (of === undefined || of === 'bmi' || effectiveOf(observation)?.precision !== 'time') return undefined;
  return `${PREFIX}${device?.location ?? device?.key ?? 'nowhere'}`;
}

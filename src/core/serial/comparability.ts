/**
 * Do two weights of one person compare? Only on the same scale, by the same method, in the same
 * clothing, in the same chair, at the same time of day and in the same condition does a small
 * change mean something: two scales of class III may differ by 0.4 kg on one person, clothing
 * weighs about 1 kg, a bed scale reads 1.4 kg off a standing one.
 *
 * Sources: OIML R 76-1 (permissible errors); Whigham et al., Int J Obes 2013;37:160-161 (clothing);
 * Skoll et al., medRxiv 2023.08.25.23294652 (bed and standing scales).
 */
import { conditionsText } from '../conditions.ts';
import type { Policy } from '../policy.ts';
import type { Incomparable, Reading } from '../reading.ts';
import { minuteOfDay, minutesApart } from '../time-of-day.ts';

type Aspect = 'scale' | 'method' | 'clothing';

const ASPECTS: readonly (readonly [Aspect, (reading: Reading) => string | undefined])[] = [
  ['scale', ({ device }) => device],
  ['method', ({ method }) => method],
  ['clothing', ({ clothing }) => clothing],
];

/** Why two weights do not compare; empty when they do. */
export function incomparable(one: Reading, other: Reading, { values }: Pick<Policy, 'values'>): readonly Incomparable[] {
  const reasons: Incomparable[] = [];
  for (const [aspect, of] of ASPECTS) {
    const [a, b] = [of(one), of(other)];
    if (a !== undefined && b !== undefined) {
      if (a !== b) reasons.push(`other-${aspect}`);
    } else if (a !== b || !values['comparability.unknownCompares']) reasons.push(`${aspect}-not-known`);
  }
  if (tareOf(one) !== tareOf(other)) reasons.push('other-tare');
  if (conditionsText(one.conditions) !== conditionsText(other.conditions)) reasons.push('other-condition');
  const zone = values['ward.timeZone'];
  const [a, b] = [minuteOfDay(one.effective, zone), minuteOfDay(other.effective, zone)];
  if (a === undefined || b === undefined) reasons.push('time-not-known');
  else if (minutesApart(a, b) > values['comparability.timeOfDayHours'] * 60) reasons.push('other-time-of-day');
  return reasons;
}

/** The same chair with the same cushions, or the same tare where no chair is named. */
function tareOf({ tareDevices, tare }: Reading): string {
  return tareDevices === undefined ? (tare ? `${tare.text} ${tare.unit}` : '') : [...tareDevices].sort().join(' ');
}

export const INCOMPARABLE_WORDS: Readonly<Record<Incomparable, string>> = {
  'other-scale': 'another scale',
  'other-method': 'another method',
  'other-clothing': 'other clothing',
  'other-tare': 'another chair or tare',
  'other-time-of-day': 'another time of day',
  'other-condition': 'another condition (cast, prosthesis, fluid, bed)',
  'scale-not-known': 'the scale of only one is known',
  'method-not-known': 'the method of only one is known',
  'clothing-not-known': 'the clothing of only one is known',
  'time-not-known': 'the time of day is not known',
};

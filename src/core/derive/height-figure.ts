/**
 * The height that is estimated from the length of one part of the body, as an Observation: always
 * coded as estimated, never a measured height.
 */
import { toText, type Decimal } from '../decimal.ts';
import { ageAt } from '../fhir-time.ts';
import type { Policy } from '../policy.ts';
import type { PersonFacts, Reading } from '../reading.ts';
import { PARENT_CODE, R4_PROFILE, SYSTEM, VITAL_SIGNS_CATEGORY } from '../terminology.ts';
import { byTime } from '../serial/order.ts';
import { isPositive, type UsableReading } from './bmi.ts';
import { amount, concept } from './derived-content.ts';
import type { Draft } from './draft.ts';
import { estimatedHeight, ESTIMATED_HEIGHT_CODE, HEIGHT_ESTIMATES, type NoEstimateReason } from './estimated-height.ts';

/** Centimetres, or why there is no estimate; undefined for a reading that tells of no such length. */
export function estimateFrom(
  { limb, effective }: Pick<Reading, 'limb' | 'effective'>,
  { sex, birthDate }: Pick<PersonFacts, 'sex' | 'birthDate'>,
): Decimal | NoEstimateReason | undefined {
  if (limb === undefined) return undefined;
  const age = birthDate === undefined ? undefined : ageAt(birthDate, effective.startMs);
  return estimatedHeight(limb.estimate, limb.length, { sex, age });
}

const VALID: ReadonlySet<string> = new Set(['final', 'amended', 'corrected']);

interface Estimate {
  readonly reading: Reading & { readonly limb: NonNullable<Reading['limb']> };
  readonly centimetres: Decimal;
}

function estimates(readings: readonly Reading[], person: PersonFacts): Estimate[] {
  return readings.flatMap((reading) => {
    const { limb } = reading;
    if (limb === undefined || reading.held || reading.repeatOf !== undefined || !VALID.has(reading.status)) return [];
    const centimetres = estimateFrom(reading, person);
    return centimetres === undefined || typeof centimetres === 'string' ? [] : [{ reading: { ...reading, limb }, centimetres }];
  });
}

export function deriveHeights(readings: readonly Reading[], person: PersonFacts, policy: Policy): Draft[] {
  if (!policy.values['derive.estimatedHeight']) return [];
  return estimates(readings, person).map(({ reading, centimetres }) => {
    const { title, source } = HEIGHT_ESTIMATES[reading.limb.estimate];
    return {
      kind: 'estimated-height',
      of: reading,
      inputs: [reading],
      content: {
        meta: { profile: [R4_PROFILE.height] },
        category: [{ coding: [VITAL_SIGNS_CATEGORY] }],
        code: concept(ESTIMATED_HEIGHT_CODE, { system: SYSTEM.loinc, ...PARENT_CODE.height }),
        valueQuantity: amount(toText(centimetres), 'cm'),
        method: { text: `${title} (${source}). An estimate; one person's true height may be some 7 cm off.` },
      },
    };
  });
}

/**
 * Estimated heights as inputs of BMI, oldest first: those that senders estimated themselves and
 * those that follow from a length. Of the latter the length's own Observation is the input.
 */
export function estimatedHeights(readings: readonly Reading[], person: PersonFacts): UsableReading[] {
  const sent = readings.filter(
    (reading): reading is UsableReading =>
      reading.of === 'height' &&
      reading.basis === 'estimated' &&
      reading.quantity !== undefined &&
      !reading.held &&
      reading.repeatOf === undefined &&
      VALID.has(reading.status),
  );
  const ours = estimates(readings, person).map(({ reading, centimetres }): UsableReading => {
    return { ...reading, quantity: { value: centimetres, text: toText(centimetres), unit: 'cm' } };
  });
  return [...sent, ...ours].filter(isPositive).sort(byTime);
}

/** What a person wore on the scale: about 1 kg, so it decides whether two weights compare. */
import { qualifierConcept, sentClothing, type ExactObservation } from '../observation.ts';
import type { DeviceFacts, Reading } from '../reading.ts';
import { CLOTHING_ANSWERS, QUALIFIER, SYSTEM, type ClothingClass } from '../terminology.ts';
import type { Known } from './method.ts';
import type { Qualifier } from './qualifier.ts';

/** The sender's component, then what the LOINC code implies, then the ward's habit at this scale. */
export function knownClothing(
  observation: ExactObservation,
  reading: Reading,
  device: DeviceFacts | undefined,
): Known<ClothingClass> | undefined {
  const sent = sentClothing(observation);
  if (sent) return { answer: sent, origin: 'sent' };
  if (reading.clothing) return { answer: reading.clothing, origin: 'code' };
  return device?.defaultClothing === undefined ? undefined : { answer: device.defaultClothing, origin: 'device' };
}

export function clothingQualifier(observation: ExactObservation, known: Known<ClothingClass> | undefined): Qualifier | undefined {
  if (qualifierConcept(observation, QUALIFIER.clothing)) return undefined;
  const code = QUALIFIER.clothing;
  return {
    code,
    origin: known?.origin ?? 'unknown',
    ...(known && { answer: { system: SYSTEM.loinc, ...CLOTHING_ANSWERS[known.answer] } }),
  };
}

/** The kind of device a person was measured with. */
import { qualifierConcept, type ExactObservation } from '../observation.ts';
import { METHODS, type Method } from '../methods.ts';
import { OURS, QUALIFIER, type Measured } from '../terminology.ts';
import type { Known } from './method.ts';
import type { Qualifier } from './qualifier.ts';

/** LOINC 8356-8 for weights, 41910-1 for heights; each method is done with one kind of device. */
export function deviceQualifier(observation: ExactObservation, of: Measured, method: Known<Method> | undefined): Qualifier | undefined {
  const code = of === 'weight' ? QUALIFIER.weighingDevice : QUALIFIER.heightDevice;
  if (qualifierConcept(observation, code)) return undefined;
  if (method === undefined) return { code, origin: 'unknown' };
  const { deviceKind, deviceDisplay } = METHODS[method.answer];
  return {
    code,
    origin: method.origin === 'sent' ? 'method' : method.origin,
    answer: { system: OURS.deviceKindSystem, code: deviceKind, display: deviceDisplay },
  };
}

/** How the person was measured, and in which position. */
import { codedMeasure, qualifierConcept, sentPosition, type ExactObservation } from '../observation.ts';
import type { DeviceFacts, Reading } from '../reading.ts';
import { METHODS, type Method } from '../methods.ts';
import { OURS, POSITION_ANSWERS, QUALIFIER, SYSTEM, type Position } from '../terminology.ts';
import type { Coding, Origin, Qualifier } from './qualifier.ts';

export interface Known<Answer> {
  readonly answer: Answer;
  readonly origin: Origin;
}

/** The sender's word first, then what the registered device is used for. */
export function knownMethod(reading: Reading, device: DeviceFacts | undefined): Known<Method> | undefined {
  if (reading.method) return { answer: reading.method, origin: 'sent' };
  const usual = device?.defaultMethod;
  return usual !== undefined && METHODS[usual].of === reading.of ? { answer: usual, origin: 'device' } : undefined;
}

export function methodCoding(method: Method): Coding {
  return { system: OURS.methodSystem, code: method, display: METHODS[method].display };
}

export function methodQualifier(observation: ExactObservation, known: Known<Method> | undefined): Qualifier | undefined {
  if (qualifierConcept(observation, QUALIFIER.method)) return undefined;
  return { code: QUALIFIER.method, origin: known?.origin ?? 'unknown', ...(known && { answer: methodCoding(known.answer) }) };
}

/** What the sender says, then what the LOINC code implies, then what the method does. */
export function knownPosition(
  observation: ExactObservation,
  reading: Reading,
  method: Known<Method> | undefined,
): Known<Position> | undefined {
  const sent = sentPosition(observation);
  if (sent) return { answer: sent, origin: 'sent' };
  const coded = codedMeasure(observation)?.position;
  if (coded) return { answer: coded, origin: 'code' };
  if (method === undefined || METHODS[method.answer].of !== reading.of) return undefined;
  return { answer: METHODS[method.answer].position, origin: method.origin === 'sent' ? 'method' : method.origin };
}

/** Position is said when a code or the method implies it; unlike the others it is never "unknown". */
export function positionQualifier(observation: ExactObservation, known: Known<Position> | undefined): Qualifier | undefined {
  if (known === undefined || qualifierConcept(observation, QUALIFIER.position)) return undefined;
  return { code: QUALIFIER.position, origin: known.origin, answer: { system: SYSTEM.loinc, ...POSITION_ANSWERS[known.answer] } };
}

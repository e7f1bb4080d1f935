/** A stored reading as its sender wrote it: without the service's marks and without what it added. */
import { codedMeasure, type ExactObservation } from '../observation.ts';
import type { Reading } from '../reading.ts';
import { PARENT_CODE, SYSTEM } from '../terminology.ts';
import { CODE_ELEMENT, withoutAdditions } from './additions.ts';
import { withoutServiceMarks } from './marks.ts';

/**
 * Profiles stay: the service adds one only where it is not claimed already, so which of them the
 * sender claimed is not known any more, and no rule asks.
 *
 * @param stored a version of the Observation
 * @param reading what was decoded from it, for the status that its sender gave it
 * @param added what the Provenance of that version says was added
 */
export function asSent(stored: ExactObservation, reading: Reading, added: readonly string[]): ExactObservation {
  const sent = withoutAdditions(withoutServiceMarks(stored, { replaces: reading }), stored, added);
  return added.includes(CODE_ELEMENT) ? withoutParentCode(sent) : sent;
}

/** The service adds the code behind those that were sent. */
function withoutParentCode(observation: ExactObservation): ExactObservation {
  const of = codedMeasure(observation)?.of;
  const codings = observation.code.coding ?? [];
  const last = codings.at(-1);
  if (of === undefined || last?.system !== SYSTEM.loinc || last.code !== PARENT_CODE[of].code) return observation;
  return { ...observation, code: { ...observation.code, coding: codings.slice(0, -1) } };
}

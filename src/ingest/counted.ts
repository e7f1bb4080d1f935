/** How a judged reading is counted, and which rules spoke of it: the same at every way in. */
import type * as fhir4 from 'fhir/r4.js';
import { OURS } from '../core/terminology.ts';

/** What became of a reading, as it is counted: `resent` was there already. */
export type Counted = 'accepted' | 'resent' | 'held' | 'refused';

/** @param status HTTP status of the answer to a reading that was judged */
export function countedAs(status: number, { isCorrection }: { readonly isCorrection: boolean }): Counted {
  if (status === 202) return 'held';
  if (status >= 400) return 'refused';
  return status === 200 && !isCorrection ? 'resent' : 'accepted';
}

/** Ids of our rules in an outcome, one for each issue. */
export function ruleIdsOf(outcome: fhir4.OperationOutcome | undefined): string[] {
  return (outcome?.issue ?? []).flatMap(({ details }) =>
    (details?.coding ?? []).flatMap(({ system, code }) => (system === OURS.ruleSystem && code !== undefined ? [code] : [])),
  );
}

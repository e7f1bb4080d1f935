/** What deciding on a held reading and claiming it have in common. */
import type * as fhir4 from 'fhir/r4.js';
import type { RefusalStatus, Verdict } from '../core/finding.ts';
import type { Reading } from '../core/reading.ts';
import { ServiceError } from '../errors.ts';
import type { StoredResource, StoreWriter } from '../ports.ts';
import type { Taken } from './answer.ts';

/** How a decision or claim is answered; nothing was stored when there is no Observation. */
export interface HeldAnswer {
  readonly status: 200 | RefusalStatus;
  readonly verdict: Verdict;
  readonly outcome: fhir4.OperationOutcome;
  /** As it stands now. */
  readonly observation?: StoredResource;
  /** The Observation that stands for the right person. */
  readonly moved?: StoredResource;
}

/** @throws ServiceError ERR_NOT_FOUND, ERR_VERSION_CONFLICT, ERR_CONFLICT (a derived BMI) */
export async function loadHeld(
  writer: StoreWriter,
  id: string,
  ifMatchVersion: number | undefined,
): Promise<{ readonly current: StoredResource; readonly reading: Reading }> {
  const current = await writer.current('Observation', id);
  if (current === undefined) throw new ServiceError('ERR_NOT_FOUND', 'There is no such reading here. Look at the id.');
  if (ifMatchVersion !== undefined && current.version !== ifMatchVersion) {
    throw new ServiceError(
      'ERR_VERSION_CONFLICT',
      'If-Match names a version that is not the current one; read again and look whether it is still to be decided.',
      { expression: 'http.If-Match' },
    );
  }
  const reading = await writer.readingOf(id);
  if (reading === undefined)
    throw conflict('This is a BMI that was derived here, and a BMI is never held. Decide on its weight or height.');
  return { current, reading };
}

export function conflict(message: string): ServiceError {
  return new ServiceError('ERR_CONFLICT', message, { expression: 'Observation' });
}

/** @param taken what storing the reading came to */
export function toHeldAnswer({ verdict, outcome, status, resource, findings }: Taken): HeldAnswer & Pick<Taken, 'findings'> {
  if (verdict === 'refused' || resource === undefined) return { status: status as RefusalStatus, verdict, outcome, findings };
  return { status: 200, verdict, outcome, findings, observation: resource };
}

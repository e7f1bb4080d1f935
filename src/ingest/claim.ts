/**
 * `$claim`: somebody scans whose a reading is that arrived without a person. It is judged for that
 * person as if it arrived now, in one unit of work.
 */
import { conformObservation } from '../core/conform.ts';
import { toInstant } from '../core/fhir-time.ts';
import type { Finding } from '../core/finding.ts';
import type { JsonValue } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import type { Reading } from '../core/reading.ts';
import { isUnassigned } from '../core/unassigned.ts';
import type { StoreWriter } from '../ports.ts';
import { refused } from './answer.ts';
import { treeOf } from './stored-tree.ts';
import { conflict, loadHeld, toHeldAnswer, type HeldAnswer } from './held.ts';
import type { ClaimRequest } from './parameters.ts';
import { rewriteReading, type ReadingWork } from './reading.ts';

/** The words of a version that says whose the reading is. */
const REASON = "The person's identifier was scanned.";

/**
 * Names the person of an unassigned reading. The caller has a unit of work open and keeps refusals
 * itself. Throws ServiceError ERR_NOT_FOUND, ERR_VERSION_CONFLICT, ERR_CONFLICT (claimed already, or
 * too late).
 */
export async function claim(
  writer: StoreWriter,
  id: string,
  { subject, who }: ClaimRequest,
  ifMatchVersion: number | undefined,
  work: ReadingWork,
): Promise<HeldAnswer & { readonly findings: readonly Finding[] }> {
  const { current, reading } = await loadHeld(writer, id, ifMatchVersion);
  const nowMs = work.clock.nowMs();
  const reason = whyNotClaimable(reading, nowMs, work.policy.values['unassigned.claimMinutes']);
  if (reason !== undefined) throw conflict(reason);
  const observation = { ...(treeOf(current) as unknown as ExactObservation), subject };
  const conformed = conformObservation(observation as unknown as JsonValue);
  if (!conformed.ok) return toHeldAnswer(refused(conformed.findings, work));
  const instruction = { as: 'claim' as const, at: toInstant(nowMs), who, reason: REASON };
  return toHeldAnswer(await rewriteReading(writer, { observation, current, replaces: reading, instruction }, work));
}

function whyNotClaimable(reading: Reading, nowMs: number, minutes: number): string | undefined {
  if (reading.claimedAt !== undefined)
    return `It was claimed already, at ${reading.claimedAt}. If it is of somebody else, have it corrected or decided.`;
  if (!isUnassigned(reading.person)) return 'It named its person when it arrived, so there is nothing to claim.';
  if (reading.status === 'entered-in-error') return 'It was withdrawn or discarded. Weigh the person again.';
  if (nowMs > reading.effective.endMs + minutes * 60_000)
    return `The ${minutes} minutes in which it could be claimed are over. Weigh the person again.`;
  return undefined;
}

/**
 * What the EHR is to get of what a unit of work wrote: what is accepted, and of the rest only what
 * the EHR has already. Held readings never leave.
 */
import type { Call } from '../caller.ts';
import type { Derived } from '../core/derive/difference.ts';
import { toInstant } from '../core/fhir-time.ts';
import { isHeld, isRepeat, type ExactObservation } from '../core/observation.ts';
import { provenanceId } from '../core/provenance.ts';
import type { Reading } from '../core/reading.ts';
import type { OutboxItem, StoredResource, StoreWriter, VersionedReference } from '../ports.ts';
import { treeOf } from './stored-tree.ts';

/** What is known of the work that something follows from. */
export interface Cause {
  /** False when no EHR is configured: then nothing piles up. */
  readonly forwards: boolean;
  /** The call that is served; absent for what the service does of its own. */
  readonly call?: Call | undefined;
  /** Items that were withdrawn in this unit of work: what still stands of them is sent as it is now. */
  readonly replacing?: readonly OutboxItem[];
}

export interface Sending extends Cause {
  readonly nowMs: number;
  /** What follows from a decision waits until then, so that it can be taken back. */
  readonly notBeforeMs?: number | undefined;
}

/** Queues the resources as one item, with what still stands of the items that it replaces. */
export async function send(
  writer: StoreWriter,
  person: string,
  resources: readonly VersionedReference[],
  concerns: readonly string[],
  sending: Sending,
): Promise<void> {
  const { forwards, nowMs, call, notBeforeMs, replacing = [] } = sending;
  if (!forwards) return;
  const all = [...(await stillStanding(writer, replacing)), ...resources];
  if (all.length === 0) return;
  const { requestId, traceParent } = call ?? {};
  await writer.enqueue({
    person,
    resources: all,
    concerns: [...new Set([...concerns, ...replacing.flatMap((item) => item.concerns)])],
    queuedAt: toInstant(nowMs),
    ...(notBeforeMs !== undefined && { notBeforeMs }),
    ...(requestId !== undefined && { requestId }),
    ...(traceParent !== undefined && { traceParent }),
  });
}

/**
 * How long what replaces items must wait, after the decision on a reading was taken back: decisions
 * on other readings of the person can be taken back as long as before.
 */
export function undoableStill(items: readonly OutboxItem[], id: string, nowMs: number): number | undefined {
  const latest = Math.max(...items.filter(({ concerns }) => !concerns.includes(id)).map(({ dueMs }) => dueMs));
  return latest > nowMs ? latest : undefined;
}

/** What is written in this unit of work anyhow is left to whoever wrote it. */
async function stillStanding(writer: StoreWriter, withdrawn: readonly OutboxItem[]): Promise<VersionedReference[]> {
  const written = new Set(writer.written.map(({ type, id }) => `${type}/${id}`));
  const ids = new Set(withdrawn.flatMap(({ resources }) => resources.flatMap(({ type, id }) => (type === 'Observation' ? id : []))));
  const standing: VersionedReference[] = [];
  for (const id of ids) {
    if (written.has(`Observation/${id}`)) continue;
    const current = await writer.current('Observation', id);
    if (current === undefined || !(isAccepted(current) || (await wasEverSent(writer, id)))) continue;
    const provenance = await writer.current('Provenance', provenanceId(current));
    standing.push(versioned(current), ...(provenance === undefined ? [] : [versioned(provenance)]));
  }
  return standing;
}

export function versioned({ type, id, version }: Pick<StoredResource, 'type' | 'id' | 'version'>): VersionedReference {
  return { type: type as VersionedReference['type'], id, version };
}

/** Ids of everything that an item about these readings and figures writes or refers to. */
export function concerned(readingIds: readonly string[], derived: readonly Derived[]): string[] {
  return [...new Set([...readingIds, ...derived.flatMap(({ id, facts }) => [id, ...facts.derivedFrom])])];
}

/** An accepted reading, or the withdrawal of one; a repeat is one reading with what it repeats. */
export function isForEhr({ held, repeatOf, status }: Pick<Reading, 'held' | 'repeatOf' | 'status'>): boolean {
  return !held && repeatOf === undefined && status !== 'entered-in-error';
}

/**
 * A reading that was held or a repeat all its life never reached the EHR, so neither need its
 * withdrawal. What was accepted by a decision that was taken back in time did not reach it either.
 */
export async function wasEverSent(writer: StoreWriter, id: string): Promise<boolean> {
  const accepted = (await writer.history('Observation', id)).filter(isAccepted);
  if (accepted.length === 0) return false;
  const withdrawn = await writer.withdrawnVersions(id);
  return accepted.some(({ version }) => !withdrawn.has(version));
}

function isAccepted(version: StoredResource): boolean {
  const observation = treeOf(version) as unknown as ExactObservation;
  return !isHeld(observation) && !isRepeat(observation) && observation.status !== 'entered-in-error';
}

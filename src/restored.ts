/**
 * Starting on a store that was restored from a backup: what it calls unsent may be at the EHR
 * since, so all of that is looked up before it is sent. Sending a ward's day a second time would
 * be the worst that a backup could do.
 */
import { toAuditEvent } from './core/audit/event.ts';
import type { KeptStore } from './ports.ts';

export interface Restored {
  /** Instant at which the backup was taken. */
  readonly takenAt: string;
  /** Outbox items that are looked up first now. */
  readonly distrusted: number;
}

/**
 * Undefined for a store that is no restored copy. To be called before anything is sent; when it is
 * cut short, the next start does it again.
 */
export async function settleRestored(
  store: Pick<KeptStore, 'marks' | 'outbox' | 'retention' | 'write'>,
  nowMs: number,
): Promise<Restored | undefined> {
  const { marks, outbox, retention } = store;
  const takenAt = await marks.readMark('backup-taken-at');
  if (takenAt === undefined) return undefined;
  const distrusted = await outbox.distrust(nowMs);
  // whoever signed out since the backup was taken would be signed in again
  await retention.removeSessions({ dryRun: false });
  const details = [['taken at', takenAt] as const, ['unsent', String(distrusted)] as const];
  await store.write((tx) => tx.addAudit(toAuditEvent({ recordedMs: nowMs, event: 'restored', outcome: 'success', details })));
  await marks.removeMark('backup-taken-at');
  return { takenAt, distrusted };
}

/** Backups under load: restored after a crash, and cut off in the middle. */
import { existsSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as pause } from 'node:timers/promises';
import { identifierKeyOf } from '../../../src/core/fingerprint.ts';
import { toInstant } from '../../../src/core/fhir-time.ts';
import { BackupRefused, openStore, restoreSqlite, StoreNotOpened } from '../../../src/open-store.ts';
import type { Fault } from '../fault.ts';
import { GATEWAY_SYSTEM } from '../gateway-plan.ts';
import { answeredReadings, isAcknowledged } from '../history.ts';
import type { Nemesis } from '../nemesis.ts';
import { resendLost } from '../resend.ts';

const backupRestored: Fault = {
  name: 'backup-restored',
  title: 'a backup under load, kill -9, that backup restored, and gateways that send again',
  // a correction of what is not there any more
  provokes: [404],
  async run(nemesis) {
    for (let round = 0; round < nemesis.pick(1, 8); round += 1) {
      const load = nemesis.load();
      await load.until(nemesis.pick(30, 150));
      const file = join(nemesis.folder, `backup-${round}.db`);
      const before = load.acknowledged;
      nemesis.history.add({ at: 'backup' });
      const backup = await nemesis.command(['backup', file]).result;
      nemesis.claim(`a backup is taken beside the running service: ${backup.err}`, backup.code === 0);
      nemesis.claim('readings were acknowledged while it was taken', load.acknowledged > before);
      const there = nemesis.ehr.resources().length;
      await load.until(nemesis.pick(30, 150));
      await nemesis.until(() => nemesis.ehr.resources().length >= there + 20, 30_000);
      nemesis.claim('the EHR has what the backup does not know of', nemesis.ehr.resources().length > there);
      await nemesis.kill();
      const settled = load.stop(); // begins nothing new, and says again what was cut off
      const restore = await nemesis.command(['restore', file, '--replace']).result;
      nemesis.claim(`the backup is put in place: ${restore.err}`, restore.code === 0);
      nemesis.history.add({ at: 'restored' });
      await nemesis.start();
      await settled;
      nemesis.claim('gateways had something to send again', (await resendLost(nemesis)) > 0);
      await retryParked(nemesis);
    }
    nemesis.claim('the service says that its store was restored', nemesis.service.said.includes('restored from a backup'));
  },
};

/** A version that was lost, and that the EHR has, stops its item until the gateway has told it again: then an operator lets it go on. */
async function retryParked(nemesis: Nemesis): Promise<void> {
  const isQuiet = async (): Promise<boolean> => (await nemesis.metric('steelyard_outbox_waiting', { isCalm: true })) === 0;
  await nemesis.until(isQuiet, nemesis.pick(15_000, 60_000));
  const { code } = await nemesis.command(['outbox', 'retry', '--all']).result;
  nemesis.claim('what is parked is let go on', code === 0);
}

const killDuringBackup: Fault = {
  name: 'kill-during-backup',
  title: 'kill -9 of a backup at random moments, under load',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(nemesis.pick(40, 400));
    let last: string | undefined;
    for (let kill = 0; kill < nemesis.pick(4, 40); kill += 1) {
      const file = join(nemesis.folder, `backup-${kill}.db`);
      const known = acknowledgedBy(nemesis);
      const backup = nemesis.command(['backup', file]);
      while (!backup.isOver() && !existsSync(`${file}.partial`) && !existsSync(file)) await pause(1);
      await nemesis.wait(0, 40);
      backup.kill();
      const { code } = await backup.result;
      if (code !== 0) last = file;
      nemesis.claim('a backup under its final name is a whole one', !existsSync(file) || (await holdsAll(nemesis, file, known)) === true);
      const isHalf = existsSync(`${file}.partial`) && (await holdsAll(nemesis, `${file}.partial`, known)) === false;
      nemesis.claim('half a backup is not taken for a whole one', !isHalf);
    }
    nemesis.claim('a backup was cut off', last !== undefined);
    if (last !== undefined) await again(nemesis, last);
    await load.stop();
  },
};

/** What was cut off is done again, and a service runs on what came of it; it sends nothing. */
async function again(nemesis: Nemesis, file: string): Promise<void> {
  const known = acknowledgedBy(nemesis);
  rmSync(file, { force: true }); // a kill that came after the last step
  const { code } = await nemesis.command(['backup', file]).result;
  nemesis.claim('a backup that was cut off is taken again under its name', code === 0);
  nemesis.claim('it holds all that was acknowledged before', (await holdsAll(nemesis, file, known)) === true);
}

/** Identifiers of readings that were acknowledged up to now. */
function acknowledgedBy({ history }: Nemesis): readonly string[] {
  return answeredReadings(history.lines)
    .filter(isAcknowledged)
    .map(({ reading }) => reading.identifier);
}

/** Whether a copy holds these readings, once it is put in place; undefined when it is turned away. */
async function holdsAll({ folder }: Nemesis, copy: string, identifiers: readonly string[]): Promise<boolean | undefined> {
  const place = join(folder, 'tried.db');
  for (const side of ['', '-wal', '-shm', '.lock']) rmSync(place + side, { force: true });
  try {
    restoreSqlite(copy, place, { replace: false, now: toInstant(Date.now()) });
  } catch (error) {
    if (error instanceof BackupRefused || error instanceof StoreNotOpened) return undefined;
    throw error;
  }
  const store = await openStore(place, { clock: { nowMs: Date.now }, exclusive: false });
  try {
    const places = await Promise.all(identifiers.map((one) => store.read.idsByFingerprint(identifierKeyOf(GATEWAY_SYSTEM, one))));
    return places.every((ids) => ids.length > 0);
  } finally {
    await store.close();
  }
}

export const BACKUPS: readonly Fault[] = [backupRestored, killDuringBackup];

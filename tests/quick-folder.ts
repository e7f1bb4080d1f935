/**
 * Where tests keep their files: in memory, where the machine has such a folder with room. Stores wait
 * for the disk at every commit (`synchronous = FULL`), and tests commit hundreds of thousands of times.
 * What tests say of durability holds there as on a disk: they kill processes, and a file outlives
 * these on either. Nothing tests what a loss of power leaves; that stays SQLite's and PostgreSQL's word.
 */
import { execFileSync } from 'node:child_process';
import { accessSync, chmodSync, constants, mkdtempSync, rmSync, statfsSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';

const IN_MEMORY = '/dev/shm';
/** A run takes less than a tenth of it. */
const ROOM_BYTES = 4 * 1024 ** 3;

/** A folder of this run alone, in memory; undefined where there is none with room in which programs may run. */
export function quickFolder(): string | undefined {
  try {
    accessSync(IN_MEMORY, constants.W_OK);
    const { bavail, bsize } = statfsSync(IN_MEMORY);
    if (bavail * bsize < ROOM_BYTES) return undefined;
    const folder = mkdtempSync(join(IN_MEMORY, 'steelyard-tests-'));
    process.once('exit', () => rmSync(folder, { recursive: true, force: true }));
    // servers that do not run as root must reach what is theirs in it
    chmodSync(folder, 0o711);
    const probe = join(folder, 'probe');
    writeFileSync(probe, '#!/bin/sh\n', { mode: 0o700 });
    execFileSync(probe);
    rmSync(probe);
    return folder;
  } catch {
    return undefined;
  }
}

/** How much room is left where the SQLite store is. */
import { statfs } from 'node:fs/promises';
import type { Instruments } from './instruments.ts';

/** What statvfs(3) says of the file system that holds a folder. */
export type AskDisk = (folder: string) => Promise<{ readonly bavail: number; readonly blocks: number; readonly bsize: number }>;

/** Asks the file system of `folder`; never throws: a folder that cannot be asked has no figures. */
export async function readDiskFigures(folder: string, instruments: Instruments, ask: AskDisk = statfs): Promise<void> {
  const free = instruments.gauge('steelyard_disk_free_bytes');
  const ratio = instruments.gauge('steelyard_disk_free_ratio');
  try {
    // what an ordinary user may still take, as statvfs(3) tells it
    const { bavail, blocks, bsize } = await ask(folder);
    free.set(bavail * bsize);
    if (blocks > 0) ratio.set(bavail / blocks);
  } catch {
    free.remove();
    ratio.remove();
  }
}

/** What a command line names to be read: files, folders with all that is below them, standard input. */
import { readdir, realpath, stat } from 'node:fs/promises';
import { join } from 'node:path';

export interface Source {
  /** As it was named, or found below a folder that was; `-` is standard input. */
  readonly file: string;
  /** 0 when it is not known. */
  readonly bytes: number;
  /** A code such as ENOENT, when it cannot be read at all. */
  readonly trouble?: string;
}

/** Standard input as it is named on a command line. */
export const STANDARD_INPUT = '-';

const IN_FOLDERS = /\.(?:json|ndjson)$/i;

/**
 * In the order in which they are named; of a folder every `*.json` and `*.ndjson` at any depth, by
 * name (code units). Links are followed, but no folder is gone through twice, so that a link that
 * leads back up ends nothing but itself.
 */
export async function sourcesOf(named: readonly string[]): Promise<readonly Source[]> {
  const sources: Source[] = [];
  for (const name of named) {
    if (name === STANDARD_INPUT) sources.push({ file: name, bytes: 0 });
    else await addAll(name, sources, { isNamed: true, visited: new Set() });
  }
  return sources;
}

interface Walk {
  readonly isNamed: boolean;
  /** Real paths of the folders that were gone through. */
  readonly visited: Set<string>;
}

async function addAll(path: string, sources: Source[], { isNamed, visited }: Walk): Promise<void> {
  try {
    const found = await stat(path);
    if (!found.isDirectory()) {
      if (isNamed || IN_FOLDERS.test(path)) sources.push({ file: path, bytes: found.size });
      return;
    }
    const folder = await realpath(path);
    if (visited.has(folder)) return;
    visited.add(folder);
    for (const name of (await readdir(path)).sort()) await addAll(join(path, name), sources, { isNamed: false, visited });
  } catch (error) {
    // what is not looked for may be broken; a folder that cannot be looked into may hold what is
    const trouble = (error as NodeJS.ErrnoException).code ?? 'unknown reason';
    if (isNamed || IN_FOLDERS.test(path) || trouble !== 'ENOENT') sources.push({ file: path, bytes: 0, trouble });
  }
}

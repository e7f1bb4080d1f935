/**
 * Where this software is installed: the folder of its `package.json`, above `src/`, or above
 * `dist/src/` once built. What is shipped beside the code is found from there.
 */
import { existsSync } from 'node:fs';
import { dirname, join } from 'node:path';

/** The path of a shipped folder; undefined when this installation lacks it. */
export function installedFolder(name: string, from: string = import.meta.dirname): string | undefined {
  if (existsSync(join(from, 'package.json'))) {
    const folder = join(from, name);
    return existsSync(folder) ? folder : undefined;
  }
  return dirname(from) === from ? undefined : installedFolder(name, dirname(from));
}

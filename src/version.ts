/**
 * The version of this software, from its `package.json`: above `src/`, or above `dist/src/` once built.
 */
import { existsSync, readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';

/** @throws Error when the file is missing or names no version: a broken installation */
export function softwareVersion(from: string = import.meta.dirname): string {
  const file = join(from, 'package.json');
  if (existsSync(file)) {
    const { version } = JSON.parse(readFileSync(file, 'utf8')) as { version?: unknown };
    if (typeof version === 'string') return version;
  }
  if (dirname(from) === from) throw new Error('package.json is missing from this installation');
  return softwareVersion(dirname(from));
}

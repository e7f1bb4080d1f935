/** Files that only the service's own user may read: they hold measurements of people. */
import { chmodSync, closeSync, existsSync, openSync } from 'node:fs';

const OWNER_ONLY = 0o600;

/** Makes the file when it is not there, and closes it to others either way. SQLite's side files get the same mode. */
export function createPrivately(path: string): void {
  // never opened and closed once it exists: closing any handle would drop this process's locks on it
  if (!existsSync(path)) closeSync(openSync(path, 'wx', OWNER_ONLY));
  chmodSync(path, OWNER_ONLY);
}

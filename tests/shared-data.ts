/**
 * Published data that may lie beside the project and never is a part of it. Tests that use it are
 * skipped, visibly, where it is not there.
 */
import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const FOLDER = new URL('../../shared/data/', import.meta.url);

/** Path of a file or folder of the shared data, or undefined when it is not there. */
export function sharedData(path: string): string | undefined {
  const found = fileURLToPath(new URL(path, FOLDER));
  return existsSync(found) ? found : undefined;
}

/**
 * Writes `profiles/` from the code's own tables; `--check` writes nothing and exits 1 when a file
 * there is missing, left over or not what would be written.
 */
import { mkdirSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { softwareCapabilities } from '../src/http/capability.ts';
import { codeSystems } from './artefacts/code-systems.ts';
import { extensions } from './artefacts/extensions.ts';
import { conceptMaps, operations } from './artefacts/maps-and-operations.ts';
import { profiles } from './artefacts/profiles.ts';
import { RELEASED, version, type Artefact } from './artefacts/published.ts';
import { valueSets } from './artefacts/value-sets.ts';

export const PROFILES_FOLDER = join(import.meta.dirname, '../profiles');

export function artefacts(): Artefact[] {
  return [
    ...profiles(),
    ...extensions(),
    ...codeSystems(),
    ...valueSets(),
    ...conceptMaps(),
    ...operations(),
    softwareCapabilities(version, RELEASED),
  ];
}

/** File name to text, as `profiles/` ought to be. */
export function artefactFiles(): Map<string, string> {
  return new Map(artefacts().map((artefact) => [`${artefact.resourceType}-${artefact.id}.json`, `${JSON.stringify(artefact, null, 2)}\n`]));
}

/** Names of the files in which `profiles/` differs from the code. */
export function driftedFiles(wanted: ReadonlyMap<string, string>): string[] {
  const present = new Set(readdirSync(PROFILES_FOLDER).filter((name) => name.endsWith('.json')));
  const missing = [...wanted.keys()].filter((name) => !present.has(name));
  return [...missing, ...[...present].filter((name) => wanted.get(name) !== readFileSync(join(PROFILES_FOLDER, name), 'utf8'))].sort();
}

function main(): void {
  const wanted = artefactFiles();
  mkdirSync(PROFILES_FOLDER, { recursive: true });
  const drifted = driftedFiles(wanted);
  if (process.argv.includes('--check')) {
    for (const name of drifted) process.stderr.write(`profiles/${name} is not what the code says.\n`);
    process.stdout.write(`${wanted.size} artefacts, ${drifted.length} drifted.\n`);
    if (drifted.length > 0) process.exitCode = 1;
    return;
  }
  for (const name of drifted) {
    const text = wanted.get(name);
    if (text === undefined) rmSync(join(PROFILES_FOLDER, name));
    else writeFileSync(join(PROFILES_FOLDER, name), text);
  }
  process.stdout.write(`${wanted.size} artefacts, ${drifted.length} rewritten.\n`);
}

if (process.argv[1] !== undefined && import.meta.url === pathToFileURL(process.argv[1]).href) main();

/**
 * The packages that a running service needs, out of package-lock.json alone.
 *
 * `npm sbom --omit dev` cannot be asked for them: it leaves out each package that something for
 * development needs as well, among them `pg` and `commander` (seen with npm 11.19).
 */
import { readFile } from 'node:fs/promises';
import { join } from 'node:path';

export const ROOT = join(import.meta.dirname, '..');

interface LockedPackage {
  readonly version?: string;
  readonly dependencies?: Readonly<Record<string, string>>;
  readonly optionalDependencies?: Readonly<Record<string, string>>;
  readonly peerDependencies?: Readonly<Record<string, string>>;
  readonly peerDependenciesMeta?: Readonly<Record<string, { readonly optional?: boolean }>>;
}

/** What is read of a lock file of version 2 or 3: packages by their path, the project itself under `''`. */
export interface Lock {
  readonly packages: Readonly<Record<string, LockedPackage>>;
}

export interface ProductionPackage {
  readonly name: string;
  readonly version: string;
  /** From the project's root: `node_modules/a/node_modules/b`. */
  readonly path: string;
  /** The service runs without it. */
  readonly isOptional: boolean;
}

export async function readLock(): Promise<Lock> {
  return JSON.parse(await readFile(join(ROOT, 'package-lock.json'), 'utf8')) as Lock;
}

/**
 * All that the project needs to run, each place once, in the order of their paths.
 *
 * @throws Error when a needed package is not in the lock file
 */
export function productionTree(lock: Lock): readonly ProductionPackage[] {
  const needed = reached(lock, ['dependencies', 'peerDependencies']);
  const all = reached(lock, ['dependencies', 'peerDependencies', 'optionalDependencies']);
  return [...all].sort().map((path) => ({
    name: path.slice(path.lastIndexOf('node_modules/') + 'node_modules/'.length),
    version: lock.packages[path]?.version ?? '',
    path,
    isOptional: !needed.has(path),
  }));
}

type Relation = 'dependencies' | 'peerDependencies' | 'optionalDependencies';

function reached(lock: Lock, relations: readonly Relation[]): ReadonlySet<string> {
  const found = new Set<string>();
  const waiting = [''];
  for (let from = waiting.pop(); from !== undefined; from = waiting.pop()) {
    const one = lock.packages[from] ?? {};
    for (const [name, relation] of relations.flatMap((kind) => Object.keys(one[kind] ?? {}).map((key) => [key, kind] as const))) {
      const path = placeOf(lock, from, name);
      if (path === undefined) {
        if (relation === 'optionalDependencies' || one.peerDependenciesMeta?.[name]?.optional === true) continue;
        throw new Error(`${name}, which ${from === '' ? 'the project' : from} needs, is not in the lock file`);
      }
      // an optional peer that happens to be there is not there for the service
      if (relation === 'peerDependencies' && one.peerDependenciesMeta?.[name]?.optional === true) continue;
      if (found.has(path)) continue;
      found.add(path);
      waiting.push(path);
    }
  }
  return found;
}

/** Where Node finds a package: in the nearest folder on the way to the root (Node.js, Modules, "Loading from node_modules folders"). */
function placeOf(lock: Lock, from: string, name: string): string | undefined {
  for (let folder = from; ; folder = folder.slice(0, Math.max(0, folder.lastIndexOf('/node_modules/')))) {
    const path = `${folder === '' ? '' : `${folder}/`}node_modules/${name}`;
    if (lock.packages[path] !== undefined) return path;
    if (folder === '') return undefined;
  }
}

/**
 * Checks that every package of a running service may be used as we use it: `npm run licences`.
 *
 * Reads the lock file and the installed packages, asks nobody. Exits 1 with the names of those
 * whose terms are neither on the list nor read and excepted here.
 */
import { createHash } from 'node:crypto';
import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { ROOT, productionTree, readLock, type ProductionPackage } from './production-tree.ts';

/** SPDX identifiers of licences that ask for their notice and no more. */
const ALLOWED: ReadonlySet<string> = new Set([
  ...['0BSD', 'Apache-2.0', 'BSD-2-Clause', 'BSD-3-Clause', 'BlueOak-1.0.0', 'CC0-1.0', 'ISC', 'MIT', 'Python-2.0', 'Unlicense'],
]);

interface Exception {
  /** SHA-256 of the package's LICENSE.md as somebody read it. Other terms must be read again. */
  readonly digest: string;
  readonly reason: string;
}

export const EXCEPTIONS: Readonly<Record<string, Exception>> = {
  fhirpath: {
    digest: 'e3845fb19fe87896d697d9f350e90ad1c00255ffbf2882d843d3009e589a4dac',
    reason: 'terms of its own, after the BSD licence: keep the notice, endorse nothing, cite it in publications; quoted in NOTICE',
  },
  '@lhncbc/ucum-lhc': {
    digest: 'ce376744b303732fd459938dd06ae943bec8384310d7cf0e46250d10d96ac140',
    reason: 'comes with fhirpath; terms after the BSD licence, with an owner notice to be shown, and the terms of UCUM; quoted in NOTICE',
  },
};

/** What is read of an installed package. */
export interface Installed {
  readonly version: string;
  /** As package.json writes it: a text, or the older form with a `type`. */
  readonly licence: unknown;
  /** Of LICENSE.md, when there is one. */
  readonly digest?: string;
}

/** Why a package may not be used as it is; undefined when it may. `installed` is absent when it is not there. */
export function objectionTo({ name, version, isOptional }: ProductionPackage, installed: Installed | undefined): string | undefined {
  if (installed === undefined) return isOptional ? undefined : 'is not installed; run `npm ci` first';
  if (installed.version !== version) return `is installed as ${installed.version}; run \`npm ci\` first`;
  const exception = Object.hasOwn(EXCEPTIONS, name) ? EXCEPTIONS[name] : undefined;
  if (exception !== undefined) return exception.digest === installed.digest ? undefined : 'has other terms than those that were read';
  const terms = termsOf(installed.licence);
  if (terms === undefined) return 'names no licence';
  return isAllowed(terms) ? undefined : `is under ${terms}`;
}

function termsOf(licence: unknown): string | undefined {
  if (typeof licence === 'string') return licence;
  return typeof licence === 'object' && licence !== null && 'type' in licence && typeof licence.type === 'string'
    ? licence.type
    : undefined;
}

/** A licence, or a choice among some of which one will do. What is joined by AND or WITH is for a person to read. */
function isAllowed(terms: string): boolean {
  return terms
    .replace(/^\((.*)\)$/, '$1')
    .split(' OR ')
    .some((one) => ALLOWED.has(one));
}

async function installedAt(path: string): Promise<Installed | undefined> {
  const text = await readFile(join(ROOT, path, 'package.json'), 'utf8').catch(() => undefined);
  if (text === undefined) return undefined;
  const { version, license } = JSON.parse(text) as { readonly version: string; readonly license?: unknown };
  const terms = await readFile(join(ROOT, path, 'LICENSE.md')).catch(() => undefined);
  return { version, licence: license, ...(terms && { digest: createHash('sha256').update(terms).digest('hex') }) };
}

/** A line for each package that may not be used as it is: `name@version is under …`. */
export async function objections(): Promise<{ readonly checked: number; readonly lines: readonly string[] }> {
  const tree = productionTree(await readLock());
  const found = await Promise.all(
    tree.map(async (one) => {
      const objection = objectionTo(one, await installedAt(one.path));
      return objection === undefined ? [] : [`${one.name}@${one.version} ${objection}`];
    }),
  );
  return { checked: tree.length, lines: found.flat() };
}

if (process.argv[1] === import.meta.filename) {
  const { checked, lines } = await objections();
  for (const line of lines) process.stderr.write(`${line}\n`);
  if (lines.length > 0) process.exitCode = 1;
  else process.stdout.write(`${checked} packages may be used as they are.\n`);
}

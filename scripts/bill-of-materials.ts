/**
 * Writes the bill of materials of a running service: CycloneDX, as `npm sbom` makes it, without
 * what is for development and without what differs from machine to machine or from day to day.
 *
 * `npm run sbom` prints it, `npm run sbom -- FILE` writes it. Needs npm 10 or later and no network.
 */
import { spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { writeFile } from 'node:fs/promises';
import { ROOT, productionTree, readLock, type ProductionPackage } from './production-tree.ts';

interface Component {
  readonly 'bom-ref': string;
  readonly [member: string]: unknown;
}

/** What is read of the document that npm makes. */
export interface Bill {
  readonly metadata: { readonly component: Component; readonly [member: string]: unknown };
  readonly components: readonly Component[];
  readonly dependencies: readonly { readonly ref: string; readonly dependsOn?: readonly string[] }[];
  readonly [member: string]: unknown;
}

/** Members of a component that say where on which machine or server it was found. */
const LOCAL_MEMBERS = ['properties', 'externalReferences', 'evidence'];

/** @throws Error when npm cannot make one */
export function billFromNpm(): Bill {
  const { status, stdout, error } = spawnSync('npm', ['sbom', '--sbom-format', 'cyclonedx', '--package-lock-only', '--offline'], {
    cwd: ROOT,
    encoding: 'utf8',
    maxBuffer: 64 * 1024 * 1024,
    shell: process.platform === 'win32',
  });
  if (error !== undefined || status !== 0) throw new Error('npm 10 or later is needed for `npm sbom`', { cause: error });
  return JSON.parse(stdout) as Bill;
}

/** The same for the same lock file, wherever and whenever it is made. */
export function withoutAccidents(bill: Bill, tree: readonly ProductionPackage[], project: { readonly name: string }): object {
  const optional = new Map<string, boolean>();
  for (const { name, version, isOptional } of tree) {
    const ref = `${name}@${version}`;
    optional.set(ref, isOptional && (optional.get(ref) ?? true));
  }
  const root = bill.metadata.component;
  const isIn = (ref: string): boolean => optional.has(ref) || ref === root['bom-ref'];
  const components = bill.components
    .filter((component) => isIn(component['bom-ref']))
    .map((component) => ({ ...stripped(component), scope: optional.get(component['bom-ref']) === true ? 'optional' : 'required' }))
    .sort((a, b) => compare(a['bom-ref'], b['bom-ref']));
  const missing = [...optional.keys()].filter((ref) => !components.some((component) => component['bom-ref'] === ref));
  if (missing.length > 0) throw new Error(`npm names no component for ${missing.join(', ')}`);
  const dependencies = bill.dependencies
    .filter(({ ref }) => isIn(ref))
    .map(({ ref, dependsOn = [] }) => ({ ref, dependsOn: dependsOn.filter(isIn).sort(compare) }))
    .sort((a, b) => compare(a.ref, b.ref));
  const content = { components, dependencies };
  return {
    $schema: bill['$schema'],
    bomFormat: 'CycloneDX',
    specVersion: bill['specVersion'],
    serialNumber: serialNumberOf(content),
    version: 1,
    // npm names the project by the folder that it lies in
    metadata: { component: { ...stripped(root), type: 'application', name: project.name } },
    ...content,
  };
}

function stripped(component: Component): Component {
  return Object.fromEntries(Object.entries(component).filter(([name]) => !LOCAL_MEMBERS.includes(name))) as Component;
}

function compare(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}

/** A name-based UUID, version 8 (RFC 9562 section 5.8), of what the bill lists. */
function serialNumberOf(content: object): string {
  const digits = createHash('sha256').update(JSON.stringify(content)).digest('hex');
  return `urn:uuid:${digits.slice(0, 8)}-${digits.slice(8, 12)}-8${digits.slice(13, 16)}-8${digits.slice(17, 20)}-${digits.slice(20, 32)}`;
}

/** @throws Error when npm is too old, or names less than the lock file needs */
export async function billOfMaterials(): Promise<string> {
  const lock = await readLock();
  const { name = 'steelyard' } = lock as { readonly name?: string };
  return `${JSON.stringify(withoutAccidents(billFromNpm(), productionTree(lock), { name }), null, 2)}\n`;
}

if (process.argv[1] === import.meta.filename) {
  const [, , file] = process.argv;
  const text = await billOfMaterials();
  if (file === undefined) process.stdout.write(text);
  else await writeFile(file, text);
}

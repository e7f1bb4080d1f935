/**
 * Packs `profiles/` and the examples that the service accepts as a FHIR package, so that validators
 * and authoring tools can load them: an NPM package as the FHIR specification describes it (HL7 FHIR,
 * "FHIR NPM Packages", hl7.org/fhir/packages.html).
 *
 * `npm run package:fhir` writes it to `dist-fhir/`. npm itself packs it, with one date for every
 * file, so the same input gives the same bytes under the same npm.
 */
import { spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { pathToFileURL } from 'node:url';
import type * as fhir4 from 'fhir/r4.js';
import { CANONICAL_BASE } from '../src/core/terminology.ts';
import { artefactFiles } from './generate-artefacts.ts';
import { RELEASED, version } from './artefacts/published.ts';

const ROOT = join(import.meta.dirname, '..');
export const PACKAGE_NAME = 'steelyard.fhir.r4';
const CORE = { 'hl7.fhir.r4.core': '4.0.1' };
/** Guides whose operations the CapabilityStatement names. Names of their packages: from memory. */
export const GUIDES = [
  { packageId: 'hl7.fhir.uv.subscriptions-backport.r4', version: '1.1.0', canonical: 'http://hl7.org/fhir/uv/subscriptions-backport' },
  { packageId: 'hl7.fhir.uv.bulkdata', version: '2.0.0', canonical: 'http://hl7.org/fhir/uv/bulkdata' },
] as const;

/** Path below `package/` to text. */
type Files = ReadonlyMap<string, string>;

/** Everything that the package holds. */
export function packageFiles(): Files {
  const artefacts = artefactFiles();
  const examples = exampleFiles();
  const guide = `${JSON.stringify(implementationGuide(artefacts, examples), null, 2)}\n`;
  const resources = new Map([...artefacts, [`ImplementationGuide-${PACKAGE_NAME}.json`, guide]]);
  return new Map([
    ['package.json', `${JSON.stringify(manifest(), null, 2)}\n`],
    ['.index.json', indexOf(resources)],
    ...resources,
    ...[...examples].map(([name, text]): [string, string] => [`example/${name}`, text]),
    ['example/.index.json', indexOf(examples)],
    ['LICENSE', readFileSync(join(ROOT, 'LICENSE'), 'utf8')],
    ['README.md', README],
  ]);
}

const DESCRIPTION =
  'Profiles, extensions, code systems, value sets, concept map and operations of Steelyard, which judges body weights and heights from ward scales and derives BMI.';

const README = `# ${PACKAGE_NAME}
${DESCRIPTION}

The examples are invented, people and readings. Steelyard checks data entry and arithmetic; it makes no medical decision.
`;

function manifest(): object {
  return {
    name: PACKAGE_NAME,
    version,
    description: DESCRIPTION,
    title: 'Steelyard',
    type: 'IG',
    license: 'Apache-2.0',
    author: 'The Steelyard project',
    canonical: CANONICAL_BASE,
    url: CANONICAL_BASE,
    fhirVersions: ['4.0.1'],
    dependencies: { ...CORE, ...Object.fromEntries(GUIDES.map(({ packageId, version: of }) => [packageId, of])) },
    keywords: ['body weight', 'body height', 'BMI', 'vital signs'],
    directories: { lib: 'package', example: 'example' },
  };
}

/** Resource type and id as the file name, as the examples say nothing of an id themselves. */
function exampleFiles(): Map<string, string> {
  const folders = readdirSync(join(ROOT, 'examples'), { withFileTypes: true })
    .filter((entry) => entry.isDirectory())
    .map(({ name }) => name)
    .sort();
  return new Map(folders.flatMap((name) => exampleFile(name) ?? []));
}

/** Undefined for a folder that is no scenario, or one in which something is refused or held. */
function exampleFile(name: string): [[string, string]] | undefined {
  const read = (file: string): string => readFileSync(join(ROOT, 'examples', name, file), 'utf8');
  const files = readdirSync(join(ROOT, 'examples', name));
  if (!files.includes('request.json') || /"valueCode": *"(?:refuse|hold)"/.test(read('response.json'))) return undefined;
  const [, type] = /^\{\s*"resourceType": "([A-Za-z]+)",/.exec(read('request.json')) ?? [];
  if (type === undefined) throw new Error(`examples/${name}/request.json does not begin with its resourceType`);
  // put in as text: a number that is parsed loses its written digits
  return [[`${type}-${name}.json`, read('request.json').replace(`"resourceType": "${type}",`, `$&\n  "id": "${name}",`)]];
}

/** `.index.json`, version 2. */
function indexOf(files: Files): string {
  const members = ['resourceType', 'id', 'url', 'version', 'kind', 'type'] as const;
  const rows = [...files].map(([filename, text]) => {
    const resource = JSON.parse(text) as Partial<Record<string, unknown>>;
    return {
      filename,
      ...Object.fromEntries(members.flatMap((name) => (typeof resource[name] === 'string' ? [[name, resource[name]]] : []))),
    };
  });
  return `${JSON.stringify({ 'index-version': 2, files: rows }, null, 2)}\n`;
}

/** The specification asks for one under the name of the package. */
function implementationGuide(artefacts: Files, examples: Files): fhir4.ImplementationGuide {
  const listed = (files: Files, isExample: boolean): fhir4.ImplementationGuideDefinitionResource[] =>
    [...files.values()].map((text) => {
      const { resourceType, id, title } = JSON.parse(text) as { resourceType: string; id: string; title?: string };
      return { reference: { reference: `${resourceType}/${id}` }, name: title ?? id, exampleBoolean: isExample };
    });
  return {
    resourceType: 'ImplementationGuide',
    id: PACKAGE_NAME,
    url: `${CANONICAL_BASE}/ImplementationGuide/${PACKAGE_NAME}`,
    version,
    name: 'SteelyardFhirR4',
    title: 'Steelyard',
    status: 'active',
    experimental: false,
    date: RELEASED,
    publisher: 'The Steelyard project',
    description: DESCRIPTION,
    packageId: PACKAGE_NAME,
    license: 'Apache-2.0',
    fhirVersion: ['4.0.1'],
    dependsOn: GUIDES.map(({ packageId, version: of, canonical }) => ({
      uri: `${canonical}/ImplementationGuide/${packageId.replace(/\.r4$/, '')}`,
      packageId,
      version: of,
    })),
    definition: { resource: [...listed(artefacts, false), ...listed(examples, true)] },
  };
}

/**
 * Writes the package into a folder and returns its path.
 *
 * @throws Error when npm cannot pack it
 */
export function writePackage(into: string): string {
  const staging = mkdtempSync(join(tmpdir(), 'steelyard-fhir-'));
  try {
    for (const [name, text] of packageFiles()) {
      mkdirSync(dirname(join(staging, name)), { recursive: true });
      writeFileSync(join(staging, name), text);
    }
    mkdirSync(into, { recursive: true });
    const args = ['pack', '--json', '--offline', '--ignore-scripts', '--pack-destination', into];
    const { status, stdout, stderr } = spawnSync('npm', args, { cwd: staging, encoding: 'utf8' });
    if (status !== 0) throw new Error(`npm could not pack: ${stderr}`);
    const [packed] = JSON.parse(stdout) as [{ readonly filename: string }];
    return join(into, packed.filename);
  } finally {
    rmSync(staging, { recursive: true });
  }
}

if (process.argv[1] !== undefined && import.meta.url === pathToFileURL(process.argv[1]).href)
  process.stdout.write(`${writePackage(join(ROOT, 'dist-fhir'))}\n`);

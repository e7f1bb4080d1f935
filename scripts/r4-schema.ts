/**
 * Cuts HL7's R4 JSON Schema down to the resource types served here, and tightens it.
 *
 * As published (HL7 FHIR R4, JSON Schema, draft-06) it accepts a missing status, two values, nulls,
 * empty lists and objects, 30 February and 1.5 as an integer. What is added here comes from R4's
 * "JSON Representation of Resources", "Data Types" and the cardinalities of the definitions.
 */
import r4 from 'fhirpath/fhir-context/r4';

export interface Schema {
  [keyword: string]: unknown;
  properties?: Record<string, Schema>;
  items?: Schema;
  required?: string[];
  pattern?: string;
  type?: string | string[];
  $ref?: string | undefined;
}

export const ROOTS = [
  'Observation',
  'Bundle',
  'Patient',
  'Device',
  'DeviceMetric',
  'OperationOutcome',
  'Provenance',
  'Parameters',
] as const;

/**
 * Primitive elements with a minimum of 1, which the published schema leaves optional because
 * an extension on `_name` may stand in for the value (HL7 FHIR R4 4.0.1, StructureDefinitions).
 */
export const REQUIRED_PRIMITIVES: Readonly<Record<string, readonly string[]>> = {
  Annotation: ['text'],
  Bundle: ['type'],
  Bundle_Link: ['relation', 'url'],
  Bundle_Request: ['method', 'url'],
  Bundle_Response: ['status'],
  Contributor: ['type', 'name'],
  DataRequirement: ['type'],
  DataRequirement_Sort: ['path', 'direction'],
  DeviceMetric: ['category'],
  Device_DeviceName: ['name', 'type'],
  Device_Version: ['value'],
  Expression: ['language'],
  Extension: ['url'],
  Narrative: ['status'],
  Observation: ['status'],
  OperationOutcome_Issue: ['severity', 'code'],
  ParameterDefinition: ['use', 'type'],
  Parameters_Parameter: ['name'],
  Patient_Link: ['type'],
  Provenance: ['recorded'],
  Provenance_Entity: ['role'],
  RelatedArtifact: ['type'],
  SampledData: ['period', 'dimensions'],
  Signature: ['when'],
  TriggerDefinition: ['type'],
};

const YEAR = '(?!0000)[0-9]{4}';
const LEAP_YEAR = '(?:[0-9]{2}(?:0[48]|[2468][048]|[13579][26])|(?:0[48]|[2468][048]|[13579][26])00)';
const MONTH_AND_DAY = '(?:(?:0[13578]|1[02])-(?:0[1-9]|[12][0-9]|3[01])|(?:0[469]|11)-(?:0[1-9]|[12][0-9]|30)|02-(?:0[1-9]|1[0-9]|2[0-8]))';
const DAY = `(?:${YEAR}-${MONTH_AND_DAY}|${LEAP_YEAR}-02-29)`;
const CLOCK = '(?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|60)(?:\\.[0-9]+)?';
const ZONE = '(?:Z|[+-](?:(?:0[0-9]|1[0-3]):[0-5][0-9]|14:00))';
const YEAR_OR_MONTH = `${YEAR}(?:-(?:0[1-9]|1[0-2]))?`;
const LARGEST_INTEGER = 2_147_483_647;

/**
 * Primitive types as R4 "Data Types" defines them. The patterns know the calendar, take time
 * linear in the text, and differ from each other, so that an error names its type by its pattern.
 */
export const PRIMITIVES: Readonly<Record<string, Schema>> = {
  base64Binary: { type: 'string', pattern: '^\\s*(?:[0-9a-zA-Z+/=]{4}\\s*)+$' },
  boolean: { type: 'boolean' },
  canonical: { type: 'string', pattern: '^\\S+$' },
  code: { type: 'string', pattern: '^\\S+(?:\\s\\S+)*$' },
  date: { type: 'string', pattern: `^(?:${YEAR_OR_MONTH}|${DAY})$` },
  dateTime: { type: 'string', pattern: `^(?:${YEAR_OR_MONTH}|${DAY}(?:T${CLOCK}${ZONE})?)$` },
  decimal: { type: 'number' },
  id: { type: 'string', pattern: '^[A-Za-z0-9.-]{1,64}$' },
  instant: { type: 'string', pattern: `^${DAY}T${CLOCK}${ZONE}$` },
  integer: { type: 'integer', minimum: -LARGEST_INTEGER - 1, maximum: LARGEST_INTEGER },
  markdown: { type: 'string', pattern: '^[ \\r\\n\\t\\S]+$' },
  oid: { type: 'string', pattern: '^urn:oid:[0-2](?:\\.(?:0|[1-9][0-9]*))+$' },
  positiveInt: { type: 'integer', minimum: 1, maximum: LARGEST_INTEGER },
  string: { type: 'string', pattern: '^[ \\r\\n\\t\\S]+$' },
  time: { type: 'string', pattern: `^${CLOCK}$` },
  unsignedInt: { type: 'integer', minimum: 0, maximum: LARGEST_INTEGER },
  uri: { type: 'string', pattern: '^\\S+$' },
  url: { type: 'string', pattern: '^\\S+$' },
  uuid: { type: 'string', pattern: '^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$' },
  xhtml: { type: 'string', pattern: '\\S' },
};

/** A resource inside another: its content is judged by its own type, by whoever knows the way. */
const ANY_RESOURCE: Schema = {
  type: 'object',
  required: ['resourceType'],
  properties: { resourceType: { type: 'string', pattern: '^[A-Z][A-Za-z]{1,63}$' } },
};

export interface TightSchema {
  readonly schema: Schema & { definitions: Record<string, Schema> };
  /** Wire name of a choice element to its FHIRPath name and type: `valueQuantity` to `['value', 'Quantity']`. */
  readonly choices: Readonly<Record<string, readonly [base: string, type: string]>>;
  /** Paths of elements that merely look like a choice: `Device.property.valueQuantity`. */
  readonly plainNames: readonly string[];
  /** Which primitive type a pattern belongs to. */
  readonly patternTypes: Readonly<Record<string, string>>;
}

/**
 * @param published the schema as HL7 publishes it
 * @throws Error when it lacks a definition or holds a property of a shape unknown here
 */
export function tightenSchema(published: { readonly definitions: Record<string, Schema> }): TightSchema {
  const choices: Record<string, [string, string]> = {};
  const plainNames: string[] = [];
  const definitions: Record<string, Schema> = {};
  for (const name of reachable(published.definitions)) {
    const definition = published.definitions[name] as Schema;
    definitions[name] = PRIMITIVES[name] ?? tightenDefinition(name, definition, choices);
  }
  definitions['ResourceList'] = ANY_RESOURCE;
  definitions['ElementOrGap'] = { ...(definitions['Element'] as Schema), type: ['object', 'null'] };
  for (const [name, definition] of Object.entries(definitions)) {
    for (const property of Object.keys(definition.properties ?? {})) {
      const choice = choices[property];
      if (choice && !choiceTypes(name, choice[0])) plainNames.push(`${elementPath(name)}.${property}`);
    }
  }
  const patternTypes: Record<string, string> = {};
  for (const [name, { pattern }] of Object.entries(PRIMITIVES)) if (pattern !== undefined) patternTypes[pattern] ??= name;
  return { schema: { $id: 'https://steelyard.example/schema/r4', definitions }, choices, plainNames, patternTypes };
}

function reachable(definitions: Record<string, Schema>): Set<string> {
  const found = new Set<string>();
  const visit = (node: unknown): void => {
    if (node === null || typeof node !== 'object') return;
    for (const value of Object.values(node)) visit(value);
    const { $ref } = node as Schema;
    if (typeof $ref === 'string') enter($ref.slice('#/definitions/'.length));
  };
  const enter = (name: string): void => {
    if (name === 'ResourceList' || found.has(name)) return;
    if (!definitions[name]) throw new Error(`the published schema has no definition of ${name}`);
    found.add(name);
    visit(definitions[name]);
  };
  ROOTS.forEach(enter);
  return found;
}

function tightenDefinition(name: string, { properties = {}, required = [] }: Schema, choices: Record<string, [string, string]>): Schema {
  const tight: Record<string, Schema> = {};
  const groups: Record<string, string[]> = {};
  const withGaps: string[] = [];
  for (const [property, schema] of Object.entries(properties)) {
    const base = choiceBase(name, property);
    if (base !== undefined) {
      const type = primitiveOrComplex(property.slice(base.length));
      choices[property] = [base, type];
      (groups[base] ??= []).push(property);
      tight[property] = PRIMITIVES[type] ?? { $ref: schema.$ref };
    } else tight[property] = tightenProperty(schema);
    // in lists of primitives null keeps the place of a value that has only an extension (R4 JSON)
    const tightened = tight[property];
    if (tightened.items && !property.startsWith('_') && `_${property}` in properties) withGaps.push(property);
  }
  for (const property of withGaps) {
    tight[property] = { ...tight[property], items: orNull(tight[property]?.items as Schema) };
    tight[`_${property}`] = { type: 'array', minItems: 1, items: { $ref: '#/definitions/ElementOrGap' } };
  }
  const isResource = 'resourceType' in properties;
  const either = REQUIRED_PRIMITIVES[name];
  return {
    type: 'object',
    properties: tight,
    additionalProperties: false,
    required,
    ...(isResource ? {} : { hasContent: true }),
    ...(either && { requiredPrimitives: either.map((property) => [property, `_${property}` in properties]) }),
    ...(Object.keys(groups).length > 0 && {
      oneChoice: Object.entries(groups).map(([base, names]) => [base, wireNames(names, properties)]),
    }),
    ...(withGaps.length > 0 && { filledGaps: withGaps }),
  };
}

function tightenProperty(schema: Schema): Schema {
  if (schema['const'] !== undefined) return { type: 'string', const: schema['const'] };
  if (Array.isArray(schema['enum'])) return { type: 'string', enum: schema['enum'] };
  if (schema.type === 'array') return { type: 'array', minItems: 1, items: tightenProperty(schema.items as Schema) };
  const target = schema.$ref?.slice('#/definitions/'.length);
  if (target === undefined) throw new Error('a property of the published schema is neither coded, a list, a choice nor a reference');
  return PRIMITIVES[target] ?? { $ref: schema.$ref };
}

function orNull(items: Schema): Schema {
  const values = items['enum'];
  return { ...items, type: [items.type as string, 'null'], ...(Array.isArray(values) && { enum: [...(values as string[]), null] }) };
}

/** Each alternative with its sibling for extensions: either one counts as being there. */
function wireNames(names: readonly string[], properties: Record<string, Schema>): string[][] {
  return names.map((name) => (`_${name}` in properties ? [name, `_${name}`] : [name]));
}

function choiceBase(definition: string, property: string): string | undefined {
  const cut = [...property.matchAll(/[A-Z]/g)].map(({ index }) => index);
  for (const index of cut) {
    if (choiceTypes(definition, property.slice(0, index))?.includes(property.slice(index))) return property.slice(0, index);
  }
  return undefined;
}

/** The types of a choice element as the FHIRPath model of R4 lists them. */
function choiceTypes(definition: string, base: string): readonly string[] | undefined {
  return (r4.choiceTypePaths as Record<string, string[]>)[`${elementPath(definition)}.${base}`];
}

/** `Observation_Component` to `Observation.component`. */
function elementPath(definition: string): string {
  const [root = '', ...parts] = definition.split('_');
  return [root, ...parts.map(lowerFirst)].join('.');
}

function primitiveOrComplex(type: string): string {
  const primitive = lowerFirst(type);
  return primitive in PRIMITIVES ? primitive : type;
}

function lowerFirst(text: string): string {
  return text.charAt(0).toLowerCase() + text.slice(1);
}

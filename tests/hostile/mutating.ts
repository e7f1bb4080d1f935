/**
 * Readings and Bundles that are damaged by chance, always in the same way from one seed: bytes,
 * tokens, numbers, units, structure, types, Unicode, nesting, members twice, cut texts, encodings.
 */
import { stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { bmi, height, measured, treeOf, weight, type Changes } from '../measurements.ts';

/** A name that must be in no log line, no metric and no OperationOutcome. Everybody here is invented. */
export const PERSON_MARKER = 'QUILLMARKER';
/** Stands for a number that is another one in every request. */
const FRESH = '000001234567';

/** Numbers from 0 up to but not including 1, the same ones from the same seed (mulberry32, public domain). */
export function dice(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
  };
}

const person: Changes = {
  identifier: [{ system: 'urn:example:mutations', value: `${PERSON_MARKER}-${FRESH}` }],
  subject: { reference: `Patient/mutated-${FRESH}`, display: PERSON_MARKER },
  note: [{ text: `${PERSON_MARKER} of Harbourlight Ward (invented)` }],
};
const text = (of: JsonObject): string => stringifyExact(of);
const entry = (resource: string, fullUrl: string): string =>
  `{"fullUrl":"${fullUrl}","resource":${resource},"request":{"method":"POST","url":"Observation"}}`;
const bundle = (type: string, ...resources: readonly string[]): string => {
  const entries = resources.map((resource, at) => entry(resource, `urn:uuid:00000000-0000-4000-8000-00000000000${at}`));
  return `{"resourceType":"Bundle","type":"${type}","entry":[${entries.join(',')}]}`;
};
const other = (of: string): string => of.replaceAll(FRESH, `${FRESH}-b`);

const WEIGHT = text(treeOf(weight('70.5', 'kg', person)));
const HEIGHT = other(text(treeOf(height('170.5', 'cm', person))));
const RICH = text(
  treeOf(
    weight('80.0', 'kg', {
      ...person,
      meta: { profile: ['http://hl7.org/fhir/StructureDefinition/bodyweight'], tag: [{ system: 'urn:example:tag', code: 'x' }] },
      text: { status: 'generated', div: `<div xmlns="http://www.w3.org/1999/xhtml">${PERSON_MARKER}</div>` },
      device: { reference: 'Device/scale-1' },
      component: [
        { code: { coding: [{ system: 'urn:example:part', code: 'a' }] }, valueQuantity: measured('1.5', 'kg') },
        { code: { coding: [{ system: 'urn:example:part', code: 'b' }] }, valueString: 'shoes off' },
      ],
      extension: [{ url: 'urn:example:extension', valueString: PERSON_MARKER }],
    }),
  ),
);

/** What is damaged: conforming, or refused already for its own reason. */
export const STARTS: readonly { readonly path: string; readonly text: string }[] = [
  { path: '/fhir/Observation', text: WEIGHT },
  { path: '/fhir/Observation', text: HEIGHT },
  { path: '/fhir/Observation', text: RICH },
  { path: '/fhir/Observation', text: text(treeOf(weight('154.25', '[lb_av]', person))) },
  { path: '/fhir/Observation', text: text(treeOf(weight('70500', 'g', person))) },
  { path: '/fhir/Observation', text: text(treeOf(height('67.125', '[in_i]', person))) },
  {
    path: '/fhir/Observation',
    text: text(
      treeOf(
        weight('70.5', 'kg', {
          ...person,
          effectiveDateTime: undefined,
          effectivePeriod: { start: '2026-03-02T08:00:00Z', end: '2026-03-02T08:01:00Z' },
        }),
      ),
    ),
  },
  {
    path: '/fhir/Observation',
    text: text(treeOf(weight('1', 'kg', { ...person, valueQuantity: undefined, dataAbsentReason: { text: 'asleep' } }))),
  },
  { path: '/fhir/Observation', text: text(treeOf(bmi('24.3', person))) },
  { path: '/fhir/Observation/$validate', text: WEIGHT },
  { path: '/fhir', text: bundle('batch', WEIGHT, HEIGHT) },
  { path: '/fhir', text: bundle('transaction', WEIGHT, HEIGHT) },
  { path: '/fhir', text: bundle('transaction', WEIGHT.replace('70.5', '70.51'), HEIGHT) },
];

type Roll = <Item>(from: readonly Item[]) => Item;

const LITERALS = [
  '0',
  '-0',
  '-70.5',
  '1e400',
  '1e-400',
  '70.05',
  '70.09999999999999999',
  '9007199254740993',
  '7.05e1',
  '070.5',
  '70.',
  '.5',
  '+70',
  'NaN',
  '1'.repeat(60),
  '70.50',
  '650.1',
  '300',
  '"70.5"',
  'null',
  'true',
  '[70.5]',
  '{}',
  '0x46',
  '70,5',
];
const CODES = [
  'kg',
  'KG',
  'lb',
  'lbs',
  '[lb_av]',
  '[lb_tr]',
  'g',
  'mg',
  'cm',
  'm',
  '[in_i]',
  '[ft_i]',
  'kg/m2',
  '',
  ' kg',
  'constructor',
  '29463-7',
  '8302-2',
  '39156-5',
  '3142-7',
  '2339-0',
  'final',
  'preliminary',
  'entered-in-error',
  'cancelled',
  'unknown',
  'vital-signs',
  'laboratory',
  'http://unitsofmeasure.org',
  'http://loinc.org',
  'https://loinc.org',
  'Patient/x',
  'Group/x',
  '#x',
  'urn:uuid:00000000-0000-4000-8000-000000000001',
  'http://127.0.0.1:9/Patient/x',
  '2026-03-02',
  '2026',
  '2026-02-30T08:00:00Z',
  '2026-03-02T24:00:00Z',
  '2026-03-02T08:00:00',
  '2000-01-01T00:00:00Z',
  '9999-12-31T23:59:60+14:00',
  '2026-03-02T08:00:00.123456789+01:00',
];
const MEMBERS = [
  '"__proto__":{"polluted":true},',
  '"constructor":{"prototype":{"polluted":true}},',
  '"hasOwnProperty":1,',
  '"toString":null,',
  '"status":"final",',
  '"resourceType":"Observation",',
  '"valueQuantity":{"value":1},',
  '"valueString":"70 kg",',
  '"weightKg":70.5,',
  '"id":"../../x",',
  '"modifierExtension":[{"url":"urn:x","valueBoolean":true}],',
  '"contained":[{"resourceType":"Patient","id":"x"}],',
  '"_status":{"id":"x"},',
  '"implicitRules":"urn:x",',
];
const ODD_TEXT = [
  '\u0000',
  '\\u0000',
  '\ufeff',
  '\u202e',
  '\ud800',
  '\\ud800',
  '\u200d',
  '\uff4b\uff47',
  '\u0301',
  '\u{1f9a9}',
  '\n',
  '\\n',
  '\t',
  '<script>',
  '${x}',
  "' or 1=1 --",
  '%00',
  '\u2028',
];
const TOKENS = ['{', '}', '[', ']', ',', ':', '"', '\\', '//', '/*', 'null', 'true', '0', '-', 'e'];

/** Where the pattern is found, one of the places by chance. */
function place(from: string, pattern: RegExp, roll: Roll): RegExpMatchArray | undefined {
  const found = [...from.matchAll(pattern)];
  return found.length === 0 ? undefined : roll(found);
}

function replaced(from: string, pattern: RegExp, by: string, roll: Roll): string {
  const at = place(from, pattern, roll);
  return at?.index === undefined ? from : from.slice(0, at.index) + by + from.slice(at.index + at[0].length);
}

type Damage = (from: string, roll: Roll, random: () => number) => string;

/** One kind of damage each, to a text. */
const DAMAGES: Readonly<Record<string, Damage>> = {
  number: (from, roll) => replaced(from, /(?<=:)-?\d+(?:\.\d+)?(?=[,}])/g, roll(LITERALS), roll),
  code: (from, roll) => replaced(from, /"[^"{}[\]]*"(?=[,}\]])/g, JSON.stringify(roll(CODES)), roll),
  type: (from, roll) =>
    replaced(from, /"[^"{}[\]]*"(?=[,}\]])/g, roll(['null', '1', 'true', '[]', '{}', '[null]', '""', '{"value":"x"}']), roll),
  member: (from, roll) => replaced(from, /(?<=\{)(?=")/g, roll(MEMBERS), roll),
  removed: (from, roll) => replaced(from, /"[A-Za-z]+":(?:"[^"]*"|\d+(?:\.\d+)?|\{[^{}]*\}),?/g, '', roll),
  doubled: (from, roll) => {
    const at = place(from, /"[A-Za-z]+":(?:"[^"]*"|\d+(?:\.\d+)?|\{[^{}]*\}),/g, roll);
    return at?.index === undefined ? from : from.slice(0, at.index) + at[0] + from.slice(at.index);
  },
  renamed: (from, roll) =>
    replaced(
      from,
      /"[A-Za-z]+"(?=:)/g,
      JSON.stringify(roll(['value', 'Value', 'status ', 'x', '', 'resourceType', 'component', 'constructor'])),
      roll,
    ),
  unicode: (from, roll, random) => spliced(from, random, 0, roll(ODD_TEXT)),
  token: (from, roll, random) => spliced(from, random, 0, roll(TOKENS)),
  byte: (from, _roll, random) => spliced(from, random, 1, String.fromCharCode(Math.floor(random() * 256))),
  slice: (from, _roll, random) => spliced(from, random, Math.floor(random() * 40), ''),
  repeated: (from, _roll, random) => {
    const start = Math.floor(random() * from.length);
    return from.slice(0, start + 30) + from.slice(start);
  },
  truncated: (from, _roll, random) => from.slice(0, Math.floor(random() * from.length)),
  nested: (from, roll) => {
    const depth = roll([3, 30, 70, 2000]);
    return replaced(from, /"[^"{}[\]]*"(?=[,}\]])/g, `${'['.repeat(depth)}1${']'.repeat(depth)}`, roll);
  },
  wrapped: (from, roll) =>
    roll([`[${from}]`, `{"resource":${from}}`, `${from}${from}`, `\ufeff${from}`, ` ${from}\n`, JSON.stringify(from)]),
  long: (from, roll) =>
    replaced(from, /"[^"{}[\]]*"(?=[,}\]])/g, JSON.stringify(roll(['a', ' ', '0', '\u00e9', '-']).repeat(20_000)), roll),
};
const KINDS = Object.keys(DAMAGES);

function spliced(from: string, random: () => number, remove: number, insert: string): string {
  const start = Math.floor(random() * from.length);
  return from.slice(0, start) + insert + from.slice(start + remove);
}

export interface Mutant {
  readonly path: string;
  readonly headers: Readonly<Record<string, string>>;
  readonly body: Buffer;
  /** What was done, in order. */
  readonly how: readonly string[];
}

const ENCODINGS: readonly ((from: string) => Buffer)[] = [
  (from) => Buffer.from(from, 'utf16le'),
  (from) => Buffer.from(from, 'latin1'),
  (from) => Buffer.concat([Buffer.from(from.slice(0, 40)), Buffer.from([0xff, 0xc0]), Buffer.from(from.slice(40))]),
];
const HEADERS: readonly Readonly<Record<string, string>>[] = [
  { 'Content-Type': 'application/json' },
  { 'Content-Type': 'text/plain' },
  { 'Content-Type': 'application/fhir+json; charset=latin1' },
  { 'Content-Encoding': 'gzip' },
  { Prefer: 'return=OperationOutcome' },
  { Prefer: 'return=representation; handling=lenient' },
  { 'If-None-Exist': 'identifier=urn:example:mutations|x' },
  { Accept: 'application/fhir+xml' },
];

/** The mutant of this number; the same one whenever the seed is the same. */
export function mutantOf(seed: number, number: number): Mutant {
  const random = dice(seed ^ Math.imul(number + 1, 0x9e3779b1));
  const roll: Roll = (from) => from[Math.floor(random() * from.length)] as (typeof from)[number];
  const start = roll(STARTS);
  let damaged = start.text.replaceAll(FRESH, String(number).padStart(FRESH.length, '0'));
  const how: string[] = [];
  for (let blow = 1 + Math.floor(random() * 3); blow > 0; blow--) {
    const kind = roll(KINDS);
    how.push(kind);
    damaged = (DAMAGES[kind] as Damage)(damaged, roll, random);
  }
  const isEncoded = random() < 0.03;
  const hasHeaders = random() < 0.05;
  if (isEncoded) how.push('encoding');
  if (hasHeaders) how.push('headers');
  return {
    path: start.path,
    headers: { 'Content-Type': 'application/fhir+json', ...(hasHeaders && roll(HEADERS)) },
    body: isEncoded ? roll(ENCODINGS)(damaged) : Buffer.from(damaged),
    how,
  };
}

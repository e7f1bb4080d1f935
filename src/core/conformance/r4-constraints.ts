/**
 * Constraints of R4's resources, data types and vital-signs profiles (HL7 FHIR R4 4.0.1,
 * StructureDefinitions). Left out: ele-1, which the structure check does, and dom-6, a
 * recommendation that says nothing against a reading.
 */
import { parseDateTime } from '../fhir-time.ts';
import { danglingReference, hasChoice, listOf, repeatedCode, repeatedFullUrl, unreferencedContained } from './by-hand.ts';
import type { Constraint, Wire } from './constraint.ts';

const hasContained = ({ contained }: Wire): boolean => contained !== undefined;
/** Two instants, the second not before the first; of anything coarser FHIRPath is asked. */
function isInOrder(start: unknown, end: unknown): boolean {
  const [from, to] = [parseDateTime(String(start)), parseDateTime(String(end))];
  return from?.precision === 'time' && to?.precision === 'time' && from.startMs <= to.startMs;
}

/** Two numbers in one and the same unit, the second not less; of anything else FHIRPath is asked. */
function isAscending(low: Wire, high: Wire): boolean {
  const isSameUnit = low['system'] === high['system'] && low['code'] === high['code'] && low['unit'] === high['unit'];
  return isSameUnit && typeof low['value'] === 'number' && typeof high['value'] === 'number' && low['value'] <= high['value'];
}

const bundleTypeIs = (...types: string[]): string => types.map((type) => `%resource.type = '${type}'`).join(' or ');
const REQUESTING = ['batch', 'transaction', 'history'];
const RESPONDING = ['batch-response', 'transaction-response', 'history'];

const DOMAIN: readonly Constraint[] = [
  {
    key: 'dom-2',
    on: 'DomainResource',
    severity: 'error',
    human: 'a contained resource contains another one',
    expression: 'contained.contained.empty()',
    about: 'contained',
    couldFail: hasContained,
  },
  {
    key: 'dom-3',
    on: 'DomainResource',
    severity: 'error',
    human: 'nothing refers to the contained resource, and it does not refer to its container',
    expression:
      "contained.where(((id.exists() and '#' + id in (%resource.descendants().reference | %resource.descendants().ofType(canonical) | %resource.descendants().ofType(uri) | %resource.descendants().ofType(url))) or descendants().where(reference = '#').exists() or descendants().ofType(uri).where($this = '#').exists() or descendants().ofType(canonical).where($this = '#').exists()).not()).empty()",
    deviation: 'published with as() on collections, which is an error, and passes a contained resource without id; takes quadratic time',
    couldFail: hasContained,
    byHand: unreferencedContained,
  },
  {
    key: 'dom-4',
    on: 'DomainResource',
    severity: 'error',
    human: 'a contained resource has a version or a time of updating of its own',
    expression: 'contained.meta.versionId.empty() and contained.meta.lastUpdated.empty()',
    about: 'contained',
    couldFail: hasContained,
  },
  {
    key: 'dom-5',
    on: 'DomainResource',
    severity: 'error',
    human: 'a contained resource has a security label of its own',
    expression: 'contained.meta.security.empty()',
    about: 'contained',
    couldFail: hasContained,
  },
];

const DATA_TYPES: readonly Constraint[] = [
  {
    key: 'ext-1',
    on: 'Extension',
    severity: 'error',
    human: 'an extension has either a value or extensions of its own, not both and not neither',
    expression: 'extension.exists() != value.exists()',
    couldFail: (extension) => (extension['extension'] !== undefined) === hasChoice(extension, 'value'),
  },
  {
    key: 'ref-1',
    on: 'Reference',
    severity: 'error',
    human: 'the reference points at a contained resource that is not there',
    expression:
      "reference.exists().not() or reference.startsWith('#').not() or reference = '#' or reference.substring(1) in %rootResource.contained.id",
    about: 'reference',
    deviation: 'published, it is empty for a reference without text and fails # for the container; takes quadratic time',
    couldFail: ({ reference }) => typeof reference === 'string' && reference.startsWith('#'),
    byHand: danglingReference,
  },
  {
    key: 'qty-3',
    on: 'Quantity',
    severity: 'error',
    human: 'a coded unit needs the system that the code is from',
    expression: 'code.empty() or system.exists()',
    about: 'system',
    couldFail: ({ code, _code, system }) => (code !== undefined || _code !== undefined) && system === undefined,
  },
  {
    key: 'per-1',
    on: 'Period',
    severity: 'error',
    human: 'the period ends before it starts',
    expression: 'start.hasValue().not() or end.hasValue().not() or (start > end).empty() or start <= end',
    about: 'end',
    deviation: 'published, it is empty when one end is a day and the other a time within it; that is no contradiction',
    couldFail: ({ start, end }) => start !== undefined && end !== undefined && !isInOrder(start, end),
  },
  {
    key: 'rng-2',
    on: 'Range',
    severity: 'error',
    human: 'the low end of the range is above its high end',
    expression: 'low.empty() or high.empty() or (low > high).empty() or low <= high',
    about: 'low',
    deviation: 'published, it is empty when the ends are not comparable; that is no contradiction',
    couldFail: ({ low, high }) => low !== undefined && high !== undefined && !isAscending(low as Wire, high as Wire),
  },
  {
    key: 'rat-1',
    on: 'Ratio',
    severity: 'error',
    human: 'a ratio has both numerator and denominator, or neither and an extension that says why',
    expression: '(numerator.empty() xor denominator.exists()) and (numerator.exists() or extension.exists())',
    couldFail: ({ numerator, denominator }) => numerator === undefined || denominator === undefined,
  },
];

const OBSERVATION: readonly Constraint[] = [
  {
    key: 'obs-3',
    on: 'Observation.referenceRange',
    severity: 'error',
    human: 'a reference range needs a low end, a high end or a text',
    expression: 'low.exists() or high.exists() or text.exists()',
    couldFail: ({ low, high, text }) => low === undefined && high === undefined && text === undefined,
  },
  {
    key: 'obs-6',
    on: 'Observation',
    severity: 'error',
    human: 'a reason for the absence of a value stands beside a value',
    expression: 'dataAbsentReason.empty() or value.empty()',
    about: 'dataAbsentReason',
    couldFail: ({ dataAbsentReason }) => dataAbsentReason !== undefined,
  },
  {
    key: 'obs-7',
    on: 'Observation',
    severity: 'error',
    human: "a component repeats the Observation's own code although the Observation has a value",
    expression: 'value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()',
    about: 'component.code',
    deviation: 'published, it overlooks the same code with another display or version',
    byHand: repeatedCode,
  },
  {
    key: 'vs-1',
    on: 'Observation',
    severity: 'error',
    human: 'the time of measuring must be precise to the day at least',
    expression: 'effective.ofType(dateTime).hasValue().not() or effective.ofType(dateTime).toString().length() >= 8',
    about: 'effective',
    ofVitalSigns: true,
    deviation: 'published for effective[x] as a whole, it fails every Period; it speaks of dateTime only',
    couldFail: ({ effectiveDateTime }) => typeof effectiveDateTime === 'string' && effectiveDateTime.length < 10,
  },
  {
    key: 'vs-2',
    on: 'Observation',
    severity: 'error',
    human: 'there must be a value or a reason for its absence',
    expression: '(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())',
    about: 'value',
    ofVitalSigns: true,
    couldFail: (observation) =>
      observation['component'] === undefined &&
      observation['hasMember'] === undefined &&
      observation['dataAbsentReason'] === undefined &&
      !hasChoice(observation, 'value'),
  },
  {
    key: 'vs-3',
    on: 'Observation.component',
    severity: 'error',
    human: 'the component must have a value or a reason for its absence',
    expression: 'value.exists() or dataAbsentReason.exists()',
    ofVitalSigns: true,
    couldFail: (component) => component['dataAbsentReason'] === undefined && !hasChoice(component, 'value'),
  },
];

const BUNDLE: readonly Constraint[] = [
  {
    key: 'bdl-1',
    on: 'Bundle',
    severity: 'error',
    human: 'only a search result or a history has a total',
    expression: "total.empty() or (type = 'searchset') or (type = 'history')",
    about: 'total',
  },
  {
    key: 'bdl-2',
    on: 'Bundle.entry',
    severity: 'error',
    human: 'only entries of a search result say how they were found',
    expression: `search.empty() or ${bundleTypeIs('searchset')}`,
    about: 'search',
    deviation: 'published for the Bundle; asked of each entry, so that the answer can name it',
    couldFail: ({ search }) => search !== undefined,
  },
  {
    key: 'bdl-3',
    on: 'Bundle.entry',
    severity: 'error',
    human: 'each entry of a batch, transaction or history needs a request, and other entries have none',
    expression: `request.exists() = (${bundleTypeIs(...REQUESTING)})`,
    about: 'request',
    deviation: 'published for the Bundle; asked of each entry, so that the answer can name it',
    couldFail: ({ request }, { resource }) => (request !== undefined) !== REQUESTING.includes(String(resource['type'])),
  },
  {
    key: 'bdl-4',
    on: 'Bundle.entry',
    severity: 'error',
    human: 'each entry of a response or history needs a response, and other entries have none',
    expression: `response.exists() = (${bundleTypeIs(...RESPONDING)})`,
    about: 'response',
    deviation: 'published for the Bundle; asked of each entry, so that the answer can name it',
    couldFail: ({ response }, { resource }) => (response !== undefined) !== RESPONDING.includes(String(resource['type'])),
  },
  {
    key: 'bdl-5',
    on: 'Bundle.entry',
    severity: 'error',
    human: 'an entry needs a resource, a request or a response',
    expression: 'resource.exists() or request.exists() or response.exists()',
    couldFail: ({ resource, request, response }) => resource === undefined && request === undefined && response === undefined,
  },
  {
    key: 'bdl-7',
    on: 'Bundle',
    severity: 'error',
    human: 'a fullUrl is there twice for the same version',
    expression: "(type = 'history') or entry.where(fullUrl.exists()).select(fullUrl & resource.meta.versionId).isDistinct()",
    about: 'entry.fullUrl',
    deviation: 'as published, but in time that grows with the entries, not with their square',
    byHand: repeatedFullUrl,
  },
  {
    key: 'bdl-8',
    on: 'Bundle.entry',
    severity: 'error',
    human: 'a fullUrl must not name a version',
    expression: "fullUrl.empty() or fullUrl.contains('/_history/').not()",
    about: 'fullUrl',
    deviation: 'published, it is empty for an entry without fullUrl',
    couldFail: ({ fullUrl }) => typeof fullUrl === 'string' && fullUrl.includes('/_history/'),
  },
  {
    key: 'bdl-9',
    on: 'Bundle',
    severity: 'error',
    human: 'a document needs an identifier with system and value',
    expression: "type = 'document' implies (identifier.system.exists() and identifier.value.exists())",
    about: 'identifier',
  },
  {
    key: 'bdl-10',
    on: 'Bundle',
    severity: 'error',
    human: 'a document needs a time',
    expression: "type = 'document' implies timestamp.hasValue()",
    about: 'timestamp',
  },
  {
    key: 'bdl-11',
    on: 'Bundle',
    severity: 'error',
    human: 'a document begins with a Composition',
    expression: "type = 'document' implies entry.first().resource.is(Composition)",
    about: 'entry',
    couldFail: ({ type, entry }) =>
      type === 'document' && (listOf(entry)[0]?.['resource'] as Wire | undefined)?.['resourceType'] !== 'Composition',
  },
  {
    key: 'bdl-12',
    on: 'Bundle',
    severity: 'error',
    human: 'a message begins with a MessageHeader',
    expression: "type = 'message' implies entry.first().resource.is(MessageHeader)",
    about: 'entry',
    couldFail: ({ type, entry }) =>
      type === 'message' && (listOf(entry)[0]?.['resource'] as Wire | undefined)?.['resourceType'] !== 'MessageHeader',
  },
];

export const INVARIANTS: readonly Constraint[] = [...DOMAIN, ...DATA_TYPES, ...OBSERVATION, ...BUNDLE];

/** Definitions of the extensions that the service writes or reads. */
import type * as fhir4 from 'fhir/r4.js';
import { INCOMPARABLE_WORDS } from '../../src/core/serial/comparability.ts';
import { DECISION_CODES } from '../../src/core/decision.ts';
import { METHODS } from '../../src/core/methods.ts';
import { CLOTHING_ANSWERS, OURS } from '../../src/core/terminology.ts';
import { boundToR4, element, HL7, referenceTo } from './elements.ts';
import { header, idOf } from './published.ts';

type ValueType =
  'code' | 'string' | 'boolean' | 'dateTime' | 'Quantity' | 'Coding' | 'CodeableConcept' | 'Reference' | fhir4.ElementDefinitionType;

/** A part of a complex extension, or the whole of a simple one. */
interface Part {
  readonly type: ValueType | readonly ValueType[];
  readonly short: string;
  readonly min?: number;
  /** Once when absent. */
  readonly max?: '*';
  readonly binding?: fhir4.ElementDefinitionBinding;
}

interface Group {
  readonly short: string;
  readonly parts: Readonly<Record<string, Part>>;
}

interface ExtensionRow {
  readonly url: string;
  readonly title: string;
  readonly description: string;
  readonly on: string | readonly string[];
  readonly content: Part | Readonly<Record<string, Part | Group>>;
}

const OUTCOMES = 'refuse, hold, warn or inform';
const STATUS_BINDING = boundToR4('observation-status', 'required').binding as fhir4.ElementDefinitionBinding;

const EXTENSIONS: readonly ExtensionRow[] = [
  {
    url: OURS.ruleOutcomeExtension,
    title: 'What the rule did',
    description: `What the rule behind an issue did to the reading: ${OUTCOMES}. A held reading and one accepted with a remark both have issues of severity warning; this tells them apart.`,
    on: 'OperationOutcome.issue',
    content: { type: 'code', short: OUTCOMES },
  },
  {
    url: OURS.ruleSourceExtension,
    title: 'Where the rule comes from',
    description: 'The published source of the rule behind an issue, with its section, or that it is common practice or local policy.',
    on: 'OperationOutcome.issue',
    content: { type: 'string', short: 'Title, organisation, year and section' },
  },
  {
    url: OURS.policyVersionExtension,
    title: 'Policy version',
    description: 'The version of the policy (all thresholds and switches) under which a resource was judged.',
    on: 'OperationOutcome',
    content: { type: 'string', short: 'Version of the policy' },
  },
  {
    url: OURS.decisionExtension,
    title: 'Decision on a reading',
    description:
      'The verdict on the target of a Provenance, the policy version, what a person decided where one did, and every rule that had something to say, so that the decision can be made again from what is recorded.',
    on: 'Provenance',
    content: {
      verdict: { type: 'code', short: 'accepted, held or refused', min: 1 },
      policyVersion: { type: 'string', short: 'Version of the policy', min: 1 },
      decision: { type: 'code', short: `What a person decided: ${DECISION_CODES.join(', ')}, claim, or undo` },
      takesBack: { type: referenceTo('Observation'), short: 'The version whose decision was taken back' },
      growthTables: { type: 'string', short: 'Version of the growth tables, when there were some' },
      rule: {
        short: 'A rule that had something to say',
        parts: {
          id: { type: 'code', short: 'Code in the CodeSystem measurement-rule', min: 1 },
          outcome: { type: 'code', short: OUTCOMES, min: 1 },
          source: { type: 'string', short: 'Published source of the rule', min: 1 },
          says: { type: 'string', short: 'The sentence that the sender was told, unless the rule only informed' },
        },
      },
    },
  },
  {
    url: OURS.enrichmentExtension,
    title: 'Element that was added',
    description: 'An element that the service added to the target of a Provenance, and where its content came from.',
    on: 'Provenance',
    content: {
      what: { type: 'string', short: 'FHIRPath of the element, or the name of the qualifier', min: 1 },
      origin: { type: 'code', short: 'sent, code, device, method, service or unknown', min: 1 },
    },
  },
  {
    url: OURS.qualifierExtension,
    title: 'Measurement qualifier',
    description:
      'A fact about how a person was measured (method, device, clothing, position) for receivers that validate the R4 vital-signs profiles to the letter and so cannot take coded components. Either the answer or the reason for its absence.',
    on: 'Observation',
    content: {
      qualifier: { type: 'Coding', short: 'The question, coded as the component would be', min: 1 },
      answer: { type: 'CodeableConcept', short: 'The answer' },
      absent: {
        type: 'code',
        short: 'Why there is no answer',
        binding: boundToR4('data-absent-reason', 'required').binding as fhir4.ElementDefinitionBinding,
      },
    },
  },
  {
    url: OURS.statusAsSentExtension,
    title: 'Status as it was sent',
    description:
      'The status that the sender gave to a reading that is held and therefore stands as preliminary. It is put back on release.',
    on: 'Observation',
    content: { type: 'code', short: 'Status given by the sender', binding: STATUS_BINDING },
  },
  {
    url: OURS.comparisonExtension,
    title: 'Comparison with the previous weight',
    description: `An accepted weight against the accepted one before it: whether the two compare and, if not, why; and the change. Reasons: ${Object.entries(
      INCOMPARABLE_WORDS,
    )
      .map(([code, words]) => `${code} (${words})`)
      .join(', ')}.`,
    on: 'Observation',
    content: {
      previous: { type: 'Reference', short: 'The last accepted weight before this one', min: 1 },
      comparable: { type: 'boolean', short: 'Only then is a change called significant', min: 1 },
      reason: { type: 'code', short: 'Why the two do not compare', max: '*' },
      change: { type: 'Quantity', short: 'This weight less the previous one, in kg', min: 1 },
      changePercent: { type: 'Quantity', short: 'The same in percent of the previous weight', min: 1 },
      changePerDay: { type: 'Quantity', short: 'The same for each day between, in kg/d' },
      lastComparable: { type: 'Reference', short: 'The last accepted weight that does compare, where it is another one' },
    },
  },
  {
    url: OURS.repeatOfExtension,
    title: 'Repeats another reading',
    description:
      'The reading that this one repeats: the same value from the same scale within a minute, one weighing pressed twice. A repeat is kept, and neither forwarded nor counted.',
    on: 'Observation',
    content: { type: 'Reference', short: 'The first of the two' },
  },
  {
    url: OURS.movedToExtension,
    title: 'Moved to another person',
    description:
      'On a reading that was entered in error because it belongs to somebody else: the Observation that stands for the right person.',
    on: 'Observation',
    content: { type: 'Reference', short: 'The Observation of the right person' },
  },
  {
    url: OURS.movedFromExtension,
    title: 'Moved from another person',
    description:
      'On a reading that stood for the wrong person before: the Observation that was entered in error there. The identifier of the sender stays with that one.',
    on: 'Observation',
    content: { type: 'Reference', short: 'The Observation that was entered in error' },
  },
  {
    url: OURS.divisionExtension,
    title: 'Scale division',
    description: 'The smallest step that the display of a scale or stadiometer can show, in its own unit (UCUM).',
    on: 'Device',
    content: { type: 'Quantity', short: 'Smallest step of the display' },
  },
  {
    url: OURS.capacityExtension,
    title: 'Scale capacity',
    description: 'The largest load or length that a scale or stadiometer is made for, in its own unit (UCUM).',
    on: 'Device',
    content: { type: 'Quantity', short: 'Largest load or length' },
  },
  {
    url: OURS.defaultMethodExtension,
    title: 'Usual method',
    description: `How people are usually measured on this device; used when a reading does not say. One of: ${Object.keys(METHODS).join(', ')}.`,
    on: 'Device',
    content: { type: 'code', short: 'Code of the CodeSystem measurement-method' },
  },
  {
    url: OURS.defaultClothingExtension,
    title: 'Usual clothing',
    description: `What people usually wear on this device; used when a reading does not say. One of: ${Object.entries(CLOTHING_ANSWERS)
      .map(([code, { display }]) => `${code} (${display})`)
      .join(', ')}.`,
    on: 'Device',
    content: { type: 'code', short: Object.keys(CLOTHING_ANSWERS).join(', ') },
  },
  {
    url: OURS.tareMassExtension,
    title: 'Tare mass',
    description:
      'What a chair, cushion, sling or linen weighs empty, who established it and when. Device.patient says whose it is, where it is one person’s.',
    on: 'Device',
    content: {
      mass: { type: 'Quantity', short: 'Mass above zero in kg, g or [lb_av]', min: 1 },
      establishedAt: { type: 'dateTime', short: 'When it was weighed, to the day or finer', min: 1 },
      establishedBy: {
        type: [...referenceTo('Practitioner', 'PractitionerRole', 'Organization'), 'string'],
        short: 'Who weighed it',
        min: 1,
      },
    },
  },
  {
    url: OURS.tareDeviceExtension,
    title: 'What was subtracted',
    description:
      'A chair, cushion, sling or linen that was on the scale together with the person and whose mass was subtracted; repeated, on the weight or on its tare component.',
    on: ['Observation', 'Observation.component'],
    content: { type: referenceTo('Device'), short: 'The Device whose mass was subtracted' },
  },
  {
    url: OURS.currentLocationExtension,
    title: 'Ward of the person',
    description: 'Where the person is now; a scale that stands on another ward is remarked on.',
    on: 'Patient',
    content: { type: referenceTo('Location'), short: 'The ward' },
  },
];

export function extensions(): fhir4.StructureDefinition[] {
  return EXTENSIONS.map((row) => ({
    ...header('StructureDefinition', { id: idOf(row.url), title: row.title, description: row.description }),
    fhirVersion: '4.0.1' as const,
    kind: 'complex-type' as const,
    abstract: false,
    context: [row.on].flat().map((expression) => ({ type: 'element' as const, expression })),
    type: 'Extension',
    baseDefinition: `${HL7}/StructureDefinition/Extension`,
    derivation: 'constraint' as const,
    differential: {
      element: [
        element('Extension', { short: row.title, definition: row.description }),
        ...(isPart(row.content) ? simple('Extension', row.url, row.content) : complex('Extension', row.url, row.content)),
      ],
    },
  }));
}

function isPart(content: ExtensionRow['content'] | Group): content is Part {
  return (content as Part).type !== undefined;
}

function simple(id: string, url: string, { type, short, binding }: Part): fhir4.ElementDefinition[] {
  return [
    element(`${id}.extension`, { max: '0' }),
    element(`${id}.url`, { fixedUri: url }),
    element(`${id}.value[x]`, { min: 1, max: '1', short, type: typesOf(type), ...(binding && { binding }) }),
  ];
}

function typesOf(type: Part['type']): fhir4.ElementDefinitionType[] {
  const list: readonly ValueType[] = Array.isArray(type) ? (type as readonly ValueType[]) : [type as ValueType];
  return list.map((one) => (typeof one === 'string' ? { code: one } : one));
}

function complex(id: string, url: string, parts: Readonly<Record<string, Part | Group>>): fhir4.ElementDefinition[] {
  const slices = Object.entries(parts).flatMap(([name, content]) => {
    const slice = `${id}.extension:${name}`;
    const cardinality = isPart(content) ? { min: content.min ?? 0, max: content.max ?? '1' } : { min: 0, max: '*' };
    return [
      element(slice, { sliceName: name, ...cardinality, short: content.short }),
      ...(isPart(content) ? simple(slice, name, content) : complex(slice, name, content.parts)),
    ];
  });
  return [
    element(`${id}.extension`, {
      slicing: { discriminator: [{ type: 'value', path: 'url' }], ordered: false, rules: 'closed' },
      min: Object.values(parts).filter((part) => isPart(part) && part.min === 1).length,
    }),
    ...slices,
    element(`${id}.url`, { fixedUri: url }),
    element(`${id}.value[x]`, { max: '0' }),
  ];
}

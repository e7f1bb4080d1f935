/**
 * What is served under `/fhir`: the one table that mounts the routes and makes the
 * CapabilityStatement, so that neither can say what the other does not.
 */
import { CANONICAL_BASE, OURS, R4_PROFILE } from '../core/terminology.ts';
import type { StoredType } from '../ports.ts';
import { ARTEFACT_PARAMETERS } from './artefacts.ts';
import { REFERENCE_PARAMETERS, type RegistryType } from './registry.ts';
import { AUDIT_PARAMETERS } from './search/audit-query.ts';
import { OBSERVATION_PARAMETERS, type SearchParameterType } from './search/observation-parameters.ts';
import { INCLUDE_INPUTS } from './search/observation-query.ts';
import { SUBSCRIPTION_PARAMETERS } from './search/subscription-query.ts';
import type { ArtefactType } from './serving.ts';

export type Interaction = 'create' | 'update' | 'delete' | 'read' | 'vread' | 'history-instance' | 'search-type';

export interface ServedParameter {
  readonly name: string;
  readonly type: SearchParameterType;
  readonly means: string;
}

export interface ServedOperation {
  readonly name: 'validate' | 'assess' | 'decide' | 'undo' | 'claim' | 'affected' | 'recall' | 'status' | 'events';
  /** On the type, or on one resource of it. */
  readonly level: 'type' | 'instance';
  readonly methods: readonly ('get' | 'post')[];
  readonly definition: string;
  readonly means: string;
}

interface ServedBase {
  readonly interactions: readonly Interaction[];
  readonly parameters: readonly ServedParameter[];
  readonly operations?: readonly ServedOperation[];
  readonly means: string;
}

export type ServedResource = ServedBase &
  (
    | {
        readonly kind: 'reading';
        readonly type: 'Observation';
        readonly profiles: readonly string[];
        readonly includes: readonly string[];
      }
    | { readonly kind: 'registry'; readonly type: RegistryType }
    | { readonly kind: 'record'; readonly type: 'Provenance' }
    | { readonly kind: 'audit'; readonly type: 'AuditEvent' }
    | { readonly kind: 'subscription'; readonly type: 'Subscription' }
    | { readonly kind: 'artefact'; readonly type: ArtefactType }
  );

/** What is asked of the service as a whole. */
export interface ServedSystemOperation {
  readonly name: 'export';
  readonly definition: string;
  readonly means: string;
  /** Names of the parameters that are understood. */
  readonly parameters: readonly string[];
}

export const SERVED_BY_SYSTEM: readonly ServedSystemOperation[] = [
  {
    name: 'export',
    definition: 'http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export',
    means:
      'Every Observation as it stands, as NDJSON, in the asynchronous way of the guide Bulk Data Access: GET with Prefer: respond-async is ' +
      'answered 202 with Content-Location. Held readings are left out, as they are of a search. Only the type Observation is exported; ' +
      '_since and _outputFormat are understood, any other parameter is refused unless Prefer: handling=lenient. Jobs last a day.',
    parameters: ['_type', '_since', '_outputFormat'],
  },
];

const ID: ServedParameter = { name: '_id', type: 'token', means: 'id' };
const IDENTIFIER: ServedParameter = { name: 'identifier', type: 'token', means: 'business identifier' };

function referenceParameter(type: Exclude<StoredType, 'Observation'>): ServedParameter[] {
  const reference = REFERENCE_PARAMETERS[type];
  return reference ? [{ name: reference.name, type: 'reference', means: `id or ${reference.target}/id` }] : [];
}

const registry = (type: RegistryType, means: string, operations?: readonly ServedOperation[]): ServedResource => ({
  kind: 'registry',
  type,
  means,
  interactions: ['update', 'read', 'vread', 'history-instance', 'search-type'],
  parameters: [ID, IDENTIFIER, ...referenceParameter(type)],
  ...(operations && { operations }),
});

const artefact = (type: ArtefactType): ServedResource => ({
  kind: 'artefact',
  type,
  means: 'As published with this software.',
  interactions: ['read', 'search-type'],
  parameters: Object.entries(ARTEFACT_PARAMETERS).map(([name, { type: parameterType, means }]) => ({ name, type: parameterType, means })),
});

export const SERVED: readonly ServedResource[] = [
  {
    kind: 'reading',
    type: 'Observation',
    means:
      'Body weights and heights, and the BMI derived from them. A resend (same identifier, or same device, patient, code and time with the ' +
      'same value) is answered 200 with the resource that is there; the same identifier with another value is refused with 409. A possible ' +
      'but doubtful reading is answered 202 and kept as preliminary with the tag held, out of sight of searches that do not name _tag or ' +
      'status=preliminary, until a second weighing agrees or somebody decides ($decide). A reading that a rule refuses is answered 422 and never stored as an Observation. Nothing can be deleted: correct ' +
      'a reading to entered-in-error instead. Results are shaped by _sort (date, _lastUpdated, _id), _count (1000 at most), _summary=count, ' +
      '_total and opaque next links. Unknown parameters are refused unless Prefer: handling=lenient. If-None-Exist takes one identifier.',
    interactions: ['create', 'update', 'read', 'vread', 'history-instance', 'search-type'],
    parameters: Object.entries(OBSERVATION_PARAMETERS)
      .filter(([, { listed }]) => listed)
      .map(([name, { type, means }]) => ({ name, type, means })),
    operations: [
      {
        name: 'validate',
        level: 'type',
        methods: ['post'],
        definition: 'http://hl7.org/fhir/OperationDefinition/Resource-validate',
        means: 'The OperationOutcome that the real call would give; stores nothing.',
      },
      {
        name: 'assess',
        level: 'type',
        methods: ['post'],
        definition: `${CANONICAL_BASE}/OperationDefinition/observation-assess`,
        means: 'Verdict, OperationOutcome, the enriched reading and what would be derived from it; stores nothing.',
      },
      {
        name: 'decide',
        level: 'instance',
        methods: ['post'],
        definition: `${CANONICAL_BASE}/OperationDefinition/observation-decide`,
        means:
          'What somebody makes of a held reading: keep, correct, wrong-person, discard or weigh-again. Once; a second decision is answered 409.',
      },
      {
        name: 'undo',
        level: 'instance',
        methods: ['post'],
        definition: `${CANONICAL_BASE}/OperationDefinition/observation-undo`,
        means:
          'Takes back the last decision on a reading, for five minutes at most and until something of it goes to the EHR; it then waits as before. Afterwards 409.',
      },
      {
        name: 'claim',
        level: 'instance',
        methods: ['post'],
        definition: `${CANONICAL_BASE}/OperationDefinition/observation-claim`,
        means: 'Names the person of a reading that arrived without one, where the policy takes such readings in, within its time.',
      },
    ],
    profiles: [OURS.bodyWeightProfile, OURS.bodyHeightProfile, OURS.bmiProfile, R4_PROFILE.weight, R4_PROFILE.height, R4_PROFILE.bmi],
    includes: [INCLUDE_INPUTS],
  },
  registry('Patient', 'Birth date and sex, for the limits of an age; identifiers, for logical references.'),
  registry('Device', 'A scale: method, division, capacity, location; a chair, cushion, sling or linen: its tare, and whose it is.', [
    {
      name: 'affected',
      level: 'instance',
      methods: ['get', 'post'],
      definition: `${CANONICAL_BASE}/OperationDefinition/device-affected`,
      means: 'Every weight and height from this scale since a time, held and withdrawn ones too, and each BMI derived from them.',
    },
    {
      name: 'recall',
      level: 'instance',
      methods: ['post'],
      definition: `${CANONICAL_BASE}/OperationDefinition/device-recall`,
      means: 'Marks every reading of a scale that was found wrong, and its BMI, as entered in error or as doubtful; all or none.',
    },
  ]),
  registry('DeviceMetric', 'Calibration of a scale.'),
  {
    kind: 'record',
    type: 'Provenance',
    means: 'What was decided, by which rule and under which policy version.',
    interactions: ['read', 'search-type'],
    parameters: [ID, ...referenceParameter('Provenance')],
  },
  {
    kind: 'audit',
    type: 'AuditEvent',
    means:
      'Who did what, when: one event for each call that reads or writes, for each sending to the EHR, and for start, stop and changed ' +
      'configuration. Newest first. Reading events is an event too. Events are chained by hashes and never change.',
    interactions: ['read', 'search-type'],
    parameters: Object.entries(AUDIT_PARAMETERS)
      .filter(([, { listed }]) => listed)
      .map(([name, { type, means }]) => ({ name, type, means })),
  },
  {
    kind: 'subscription',
    type: 'Subscription',
    means:
      'Tells an endpoint of changed Observations, durably, in order and at least once, each with a number that grows by one; only endpoints ' +
      'that the operator lists are taken, and none while there is no list. The channel is rest-hook; criteria are Observation, with code or ' +
      'category; channel.header is refused. Notifications have the form of the guide Subscriptions R5 Backport for R4. A reading that is held ' +
      'is told of once it is released, and again should it come to be in doubt.',
    interactions: ['create', 'read', 'delete', 'search-type'],
    parameters: Object.entries(SUBSCRIPTION_PARAMETERS).map(([name, { type, means }]) => ({ name, type, means })),
    operations: [
      {
        name: 'status',
        level: 'instance',
        methods: ['get'],
        definition: 'http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-status',
        means: 'How it stands, and the number of its last event.',
      },
      {
        name: 'events',
        level: 'instance',
        methods: ['get'],
        definition: 'http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-events',
        means: 'Its events again, from eventsSinceNumber to eventsUntilNumber, at most 100 at a time, for a month.',
      },
    ],
  },
  artefact('StructureDefinition'),
  artefact('ValueSet'),
  artefact('CodeSystem'),
  artefact('ConceptMap'),
  artefact('OperationDefinition'),
  artefact('CapabilityStatement'),
];

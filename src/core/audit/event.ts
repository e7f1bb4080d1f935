/**
 * What happened, as an R4 AuditEvent after the minimal form of IHE Basic Audit Log Patterns (BALP
 * 1.1.4): who, what, when, with which outcome; ids and parameters, never names of people, values of
 * readings or results of a search. Left out of BALP: network addresses, which say little behind a
 * gateway; and one event names every person of an answer, where BALP writes one event each.
 */
import type * as fhir4 from 'fhir/r4.js';
import { toInstant } from '../fhir-time.ts';
import { digestDetail } from './digests.ts';
import { referenceOf, SOFTWARE } from '../provenance.ts';
import { OURS } from '../terminology.ts';
import {
  AGENT_SYSTEM,
  AGENT_TYPE,
  AUDIT_SYSTEM,
  DICOM_SUBTYPE,
  ENTITY,
  EVENT_TYPE,
  INTERACTION_ACTION,
  OUTCOME,
  OWN_EVENTS,
  type AuditAction,
  type AuditedInteraction,
  type AuditOutcome,
  type OwnEvent,
} from './codes.ts';

/** An AuditEvent to which the store gives its id. */
export type NewAuditEvent = Omit<fhir4.AuditEvent, 'id'>;

/** Who did it, by opaque identifiers; nobody is known while no token is asked for. */
export interface AuditedCaller {
  readonly client?: string;
  readonly user?: string;
}

export interface AuditedFacts {
  readonly recordedMs: number;
  /** At least one of `interaction` and `event` says what was done. */
  readonly interaction?: AuditedInteraction;
  readonly event?: OwnEvent;
  readonly outcome: AuditOutcome;
  /** A word on the outcome: no patient data. */
  readonly outcomeText?: string;
  /** Whose call it was; absent for what the service did of its own. */
  readonly caller?: AuditedCaller;
  /** The service called somebody else. */
  readonly outgoing?: boolean;
  readonly requestId?: string;
  /** `Observation/a/_history/2`, `Device/s1`, or `identifier:system|value` of what is no resource. */
  readonly resources?: readonly string[];
  /** Of those that were written, the hash of their text. */
  readonly digests?: ReadonlyMap<string, string>;
  /** Keys of the people concerned, as in `Reading.person`; keys that stand for no person are left out. */
  readonly persons?: readonly string[];
  /** What was searched for: type and parameters as they were sent. */
  readonly query?: string;
  /** Facts of the event by name, such as verdict, rule and policy. */
  readonly details?: readonly (readonly [name: string, value: string])[];
}

/** More of a query than this is cut off: the longest URL that is taken. */
export const LONGEST_QUERY = 8 * 1024;

export function toAuditEvent(facts: AuditedFacts): NewAuditEvent {
  const { interaction, event, outcome, outcomeText, recordedMs } = facts;
  const entity = entitiesOf(facts);
  return {
    resourceType: 'AuditEvent',
    type: EVENT_TYPE[(event && (OWN_EVENTS[event] as { type?: keyof typeof EVENT_TYPE }).type) ?? 'rest'],
    subtype: [
      ...(interaction ? [{ system: AUDIT_SYSTEM.interaction, code: interaction }] : []),
      ...(event && DICOM_SUBTYPE[event] ? [{ system: AUDIT_SYSTEM.dicom, ...DICOM_SUBTYPE[event] }] : []),
      ...(event ? [{ system: OURS.auditEventSystem, code: event }] : []),
    ],
    action: actionOf(interaction, event),
    recorded: toInstant(recordedMs),
    outcome: OUTCOME[outcome],
    ...(outcomeText !== undefined && { outcomeDesc: outcomeText }),
    agent: agentsOf(facts),
    source: { observer: US, type: [{ system: AUDIT_SYSTEM.sourceType, code: '4' }] },
    ...(entity.length > 0 && { entity }),
  };
}

const US: fhir4.Reference = { identifier: { system: OURS.softwareIdentifier, value: SOFTWARE.name.toLowerCase() } };
const EHR: fhir4.Reference = { display: 'EHR' };
const NOBODY_KNOWN: fhir4.Reference = { display: 'not identified' };

function actionOf(interaction: AuditedInteraction | undefined, event: OwnEvent | undefined): AuditAction {
  if (interaction) return INTERACTION_ACTION[interaction];
  return event ? OWN_EVENTS[event].action : 'E';
}

/** Of a read the service is the source of what goes out, of anything else the caller is. */
function agentsOf({ interaction, event, caller, outgoing = false }: AuditedFacts): fhir4.AuditEventAgent[] {
  if (outgoing) return [agent('source', US, true), agent('destination', EHR, false)];
  if (caller === undefined) return [agent('application', US, true)];
  const { client, user } = caller;
  const isRead = actionOf(interaction, event) === 'R';
  const who = client === undefined ? NOBODY_KNOWN : { identifier: { system: AGENT_SYSTEM.client, value: client } };
  return [
    agent(isRead ? 'destination' : 'source', who, user === undefined),
    agent(isRead ? 'source' : 'destination', US, false),
    ...(user === undefined
      ? []
      : [agent(isWriting(interaction) ? 'author' : 'recipient', { identifier: { system: AGENT_SYSTEM.user, value: user } }, true)]),
  ];
}

function isWriting(interaction: AuditedInteraction | undefined): boolean {
  return interaction === 'create' || interaction === 'update' || interaction === 'transaction' || interaction === 'batch';
}

function agent(type: keyof typeof AGENT_TYPE, who: fhir4.Reference, requestor: boolean): fhir4.AuditEventAgent {
  return { type: { coding: [AGENT_TYPE[type]] }, who, requestor };
}

function entitiesOf({ resources = [], digests, persons = [], query, requestId, details = [] }: AuditedFacts): fhir4.AuditEventEntity[] {
  // a Patient that was read is the person concerned as well, and is named once
  const people = new Set([...persons.filter(isPerson), ...resources.filter((reference) => reference.startsWith('Patient/'))]);
  const named = (reference: string): Partial<fhir4.AuditEventEntity> => {
    const digest = digests?.get(reference);
    return { what: referenceOf(reference), ...(digest !== undefined && { detail: [digestDetail(digest)] }) };
  };
  const isCut = query !== undefined && query.length > LONGEST_QUERY;
  return [
    ...(requestId === undefined
      ? []
      : [{ type: { system: AUDIT_SYSTEM.balpEntityType, code: 'XrequestId' }, what: { identifier: { value: requestId } } }]),
    ...[...new Set(resources)].filter((reference) => !people.has(reference)).map((reference) => entity('resource', named(reference))),
    ...[...people].map((key) => entity('person', named(key))),
    ...(query === undefined
      ? []
      : [
          entity('query', {
            query: toBase64(query.slice(0, LONGEST_QUERY)),
            ...(isCut && { description: `the first ${LONGEST_QUERY} of ${query.length} characters` }),
          }),
        ]),
    ...(details.length === 0 ? [] : [entity('other', { detail: details.map(([type, valueString]) => ({ type, valueString })) })]),
  ];
}

/** A Patient by id or identifier; the key of a place where readings wait for their person is neither. */
function isPerson(key: string): boolean {
  return /^Patient\/[A-Za-z0-9.-]{1,64}$/.test(key) || /^identifier:\S+?\|./su.test(key);
}

function entity(kind: keyof typeof ENTITY, members: Partial<fhir4.AuditEventEntity>): fhir4.AuditEventEntity {
  const row: { readonly type: string; readonly role?: string } = ENTITY[kind];
  return {
    ...(members.what && { what: members.what }),
    type: { system: AUDIT_SYSTEM.entityType, code: row.type },
    ...(row.role !== undefined && { role: { system: AUDIT_SYSTEM.objectRole, code: row.role } }),
    ...members,
  };
}

/** Text as UTF-8 in base64 (RFC 4648, section 4): `btoa` alone takes no character beyond U+00FF. */
function toBase64(text: string): string {
  return btoa(String.fromCharCode(...new TextEncoder().encode(text)));
}

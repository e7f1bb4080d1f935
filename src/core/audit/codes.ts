/**
 * The codes that AuditEvents are written with. Types and actions: HL7 FHIR R4 (4.0.1), AuditEvent
 * and its value sets; DCM: DICOM PS3.16 (context groups 400 to 403), codes from memory; agents and
 * entities: IHE Basic Audit Log Patterns (BALP) 1.1.4, profiles Read, Query, Create and Update.
 */
import { OURS } from '../terminology.ts';

export const AUDIT_SYSTEM = {
  eventType: 'http://terminology.hl7.org/CodeSystem/audit-event-type',
  interaction: 'http://hl7.org/fhir/restful-interaction',
  dicom: 'http://dicom.nema.org/resources/ontology/DCM',
  entityType: 'http://terminology.hl7.org/CodeSystem/audit-entity-type',
  objectRole: 'http://terminology.hl7.org/CodeSystem/object-role',
  sourceType: 'http://terminology.hl7.org/CodeSystem/security-source-type',
  participation: 'http://terminology.hl7.org/CodeSystem/v3-ParticipationType',
  /** BALP: the entity that holds an `X-Request-Id`. */
  balpEntityType: 'https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType',
} as const;

export type AuditAction = 'C' | 'R' | 'U' | 'D' | 'E';

/** Interactions of R4 REST as they are audited; a history is a read, a search is executed (BALP Query). */
export const INTERACTION_ACTION = {
  create: 'C',
  update: 'U',
  delete: 'D',
  read: 'R',
  vread: 'R',
  'history-instance': 'R',
  'search-type': 'E',
  transaction: 'E',
  batch: 'E',
  operation: 'E',
} as const satisfies Readonly<Record<string, AuditAction>>;

export type AuditedInteraction = keyof typeof INTERACTION_ACTION;

interface OwnEventRow {
  readonly display: string;
  readonly action: AuditAction;
  /** What kind of event it is; one around a call of the REST interface when absent. */
  readonly type?: 'activity' | 'authentication' | 'configuration';
}

/** Events for which R4 and DICOM have no closer word: our CodeSystem `audit-event`. */
export const OWN_EVENTS = {
  validate: { display: 'A reading was judged without being stored ($validate)', action: 'E' },
  assess: { display: 'A reading was judged without being stored ($assess)', action: 'E' },
  decide: { display: 'Somebody decided on a held reading', action: 'E' },
  undo: { display: 'Somebody took back a decision on a reading', action: 'E' },
  claim: { display: 'Somebody named the person of a reading', action: 'E' },
  affected: { display: 'The readings of a scale were listed', action: 'E' },
  recall: { display: 'The readings of a scale were recalled', action: 'E' },
  events: { display: 'Events of a subscription were given again', action: 'E' },
  refused: { display: 'What was sent was refused and kept apart', action: 'E' },
  'access-refused': { display: 'A caller was not let in, or was not allowed to', action: 'E' },
  'sign-in': { display: 'Somebody signed in to the pages', action: 'E', type: 'authentication' },
  'sign-in-refused': { display: 'Somebody was not let in to the pages', action: 'E', type: 'authentication' },
  'sign-out': { display: 'Somebody signed out of the pages', action: 'E', type: 'authentication' },
  sent: { display: 'Readings were sent to the EHR', action: 'E' },
  parked: { display: 'The EHR would not take readings', action: 'E' },
  notified: { display: 'A subscriber was told of changes', action: 'E' },
  'not-notified': { display: 'A subscriber takes no notifications', action: 'E' },
  'outbox-retry': { display: 'An operator had parked readings sent again', action: 'E', type: 'activity' },
  'outbox-discard': { display: 'An operator gave up readings that the EHR has not got', action: 'E', type: 'activity' },
  'outbox-distrust': { display: 'What is not sent was marked as perhaps sent: the store was restored', action: 'E', type: 'activity' },
  export: { display: 'Records were exported', action: 'R', type: 'activity' },
  backup: { display: 'The store was copied', action: 'R', type: 'activity' },
  restored: { display: 'The store was put back from a copy', action: 'E', type: 'activity' },
  removal: { display: 'Records were removed for good', action: 'D', type: 'activity' },
  hold: { display: 'A person was put on legal hold', action: 'E', type: 'activity' },
  'hold-released': { display: 'A legal hold was released', action: 'E', type: 'activity' },
  start: { display: 'The service started', action: 'E', type: 'activity' },
  stop: { display: 'The service stopped', action: 'E', type: 'activity' },
  configuration: { display: 'Another configuration is in force', action: 'E', type: 'configuration' },
  'configuration-kept': { display: 'A broken configuration was not taken', action: 'E', type: 'configuration' },
} as const satisfies Readonly<Record<string, OwnEventRow>>;

export type OwnEvent = keyof typeof OWN_EVENTS;

/** DICOM's word for an event, where it has one, stands beside ours. */
export const DICOM_SUBTYPE: Readonly<Partial<Record<OwnEvent, { readonly code: string; readonly display: string }>>> = {
  start: { code: '110120', display: 'Application Start' },
  stop: { code: '110121', display: 'Application Stop' },
  'sign-in': { code: '110122', display: 'Login' },
  'sign-in-refused': { code: '110122', display: 'Login' },
  'sign-out': { code: '110123', display: 'Logout' },
  configuration: { code: '110131', display: 'Software Configuration' },
  'configuration-kept': { code: '110131', display: 'Software Configuration' },
};

/** Success; the caller's fault; ours or the other side's (R4 value set audit-event-outcome). */
export const OUTCOME = { success: '0', minor: '4', serious: '8' } as const;
export type AuditOutcome = keyof typeof OUTCOME;

/** The outcome of a call by the HTTP status that answers it. */
export function outcomeOfStatus(status: number): AuditOutcome {
  return status < 400 ? 'success' : status < 500 ? 'minor' : 'serious';
}

export const EVENT_TYPE = {
  rest: { system: AUDIT_SYSTEM.eventType, code: 'rest', display: 'Restful Operation' },
  activity: { system: AUDIT_SYSTEM.dicom, code: '110100', display: 'Application Activity' },
  authentication: { system: AUDIT_SYSTEM.dicom, code: '110114', display: 'User Authentication' },
  configuration: { system: AUDIT_SYSTEM.dicom, code: '110113', display: 'Security Alert' },
} as const;

/** Source sends, destination gets: data of a read go the other way round (BALP, Read and Query). */
export const AGENT_TYPE = {
  source: { system: AUDIT_SYSTEM.dicom, code: '110153', display: 'Source Role ID' },
  destination: { system: AUDIT_SYSTEM.dicom, code: '110152', display: 'Destination Role ID' },
  application: { system: AUDIT_SYSTEM.dicom, code: '110150', display: 'Application' },
  recipient: { system: AUDIT_SYSTEM.participation, code: 'IRCP', display: 'information recipient' },
  author: { system: AUDIT_SYSTEM.participation, code: 'AUT', display: 'author (originator)' },
} as const;

export const ENTITY = {
  person: { type: '1', role: '1' },
  resource: { type: '2', role: '4' },
  job: { type: '2', role: '20' },
  query: { type: '2', role: '24' },
  other: { type: '4' },
} as const;

/** How many systems an agent's identifier can be of: the program that calls, and who acts through it. */
export const AGENT_SYSTEM = { client: OURS.clientIdentifier, user: OURS.userIdentifier } as const;

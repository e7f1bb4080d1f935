/**
 * The search parameters of AuditEvent (HL7 FHIR R4, AuditEvent, "Search Parameters"): one table that
 * the parser reads and the CapabilityStatement lists. Agents are known by identifier only, so
 * `agent` takes what R4 writes as `agent:identifier`.
 */
import type { AuditSearch } from '../../ports.ts';
import { DEFAULT_COUNT, parseCount, parseCursor } from './observation-query.ts';
import type { SearchParameterType } from './observation-parameters.ts';
import type { QueryParameter } from './query.ts';
import { badParameter, unservedParameter } from './refusals.ts';
import { alternatives, fullIdentifier, referenceId, resourceId, searchDate, token } from './values.ts';

type Criteria = { -readonly [Name in keyof AuditSearch]: AuditSearch[Name] };
/** `people`: keys of persons, who may be known by more than one. */
export type AuditCriteria = Omit<Criteria, 'references'> & { people?: readonly string[]; entities?: readonly string[] };

interface ParameterRow {
  readonly type: SearchParameterType;
  readonly means: string;
  readonly listed: boolean;
  /** May be given several times, all of which must hold. */
  readonly repeats?: boolean;
  readonly read: (criteria: AuditCriteria, value: string, context: { readonly name: string; readonly baseUrl: string }) => void;
}

const people: ParameterRow['read'] = (criteria, value, { name, baseUrl }) =>
  void (criteria.people = alternatives(name, value).map((text) => `Patient/${referenceId(name, text, 'Patient', baseUrl)}`));

const peopleByIdentifier: ParameterRow['read'] = (criteria, value, { name }) => {
  criteria.people = alternatives(name, value).map((text) => {
    const { system, value: code } = fullIdentifier(name, text);
    return `identifier:${system}|${code}`;
  });
};

const agents: ParameterRow['read'] = (criteria, value, { name }) =>
  void (criteria.agents = alternatives(name, value).map((text) => token(name, text)));

const codes =
  (field: 'actions' | 'outcomes'): ParameterRow['read'] =>
  (criteria, value, { name }) =>
    void (criteria[field] = alternatives(name, value).map((text) => token(name, text).value));

const PERSON = 'who is concerned: id, Patient/id, or that under this base';
const AGENT = 'who did it: client or user, by value or system|value';

export const AUDIT_PARAMETERS: Readonly<Record<string, ParameterRow>> = {
  _id: {
    type: 'token',
    means: 'id',
    listed: true,
    read: (criteria, value, { name }) => void (criteria.ids = alternatives(name, value).map((text) => resourceId(name, text))),
  },
  date: {
    type: 'date',
    means: 'when it was recorded',
    listed: true,
    repeats: true,
    read: (criteria, value, { name }) => {
      const { comparator, startMs, endMs } = searchDate(name, value);
      criteria.dates = [...(criteria.dates ?? []), { comparator, startMs, endMs }];
    },
  },
  patient: { type: 'reference', means: PERSON, listed: true, read: people },
  'patient:Patient': { type: 'reference', means: PERSON, listed: false, read: people },
  'patient:identifier': { type: 'token', means: 'who is concerned, by system|value', listed: false, read: peopleByIdentifier },
  'patient.identifier': { type: 'token', means: 'who is concerned, by system|value', listed: false, read: peopleByIdentifier },
  entity: {
    type: 'reference',
    means: 'what is concerned: Type/id, or that under this base, of any version',
    listed: true,
    read: (criteria, value, { name, baseUrl }) =>
      void (criteria.entities = alternatives(name, value).map((text) => entityKey(name, text, baseUrl))),
  },
  agent: { type: 'reference', means: AGENT, listed: true, read: agents },
  'agent:identifier': { type: 'token', means: AGENT, listed: false, read: agents },
  'agent.identifier': { type: 'token', means: AGENT, listed: false, read: agents },
  action: { type: 'token', means: 'C, R, U, D or E', listed: true, read: codes('actions') },
  outcome: {
    type: 'token',
    means: '0 success, 4 fault of the caller, 8 fault of this service or the EHR',
    listed: true,
    read: codes('outcomes'),
  },
  subtype: {
    type: 'token',
    means: 'REST interaction, or code of the CodeSystem audit-event',
    listed: true,
    read: (criteria, value, { name }) => void (criteria.subtypes = alternatives(name, value).map((text) => token(name, text))),
  },
};

function entityKey(name: string, text: string, baseUrl: string): string {
  const local = text.startsWith(`${baseUrl}/`) ? text.slice(baseUrl.length + 1) : text;
  const [, key] = /^([A-Z][A-Za-z]{1,40}\/[A-Za-z0-9.-]{1,64})(?:\/_history\/[1-9]\d{0,8})?$/.exec(local) ?? [];
  if (key === undefined) throw badParameter(name, 'must be Type/id under this base.');
  return key;
}

/**
 * @param lenient unknown parameters are left out instead of refused
 * @throws ServiceError ERR_NOT_SUPPORTED (unknown parameter, modifier, repetition), ERR_BAD_VALUE
 */
export function parseAuditQuery(
  parameters: readonly QueryParameter[],
  { lenient, baseUrl }: { readonly lenient: boolean; readonly baseUrl: string },
): { readonly criteria: AuditCriteria; readonly used: readonly QueryParameter[] } {
  const criteria: AuditCriteria = { count: DEFAULT_COUNT };
  const used: QueryParameter[] = [];
  const seen = new Set<string>();
  for (const { name, value } of parameters) {
    const row = Object.hasOwn(AUDIT_PARAMETERS, name) ? AUDIT_PARAMETERS[name] : undefined;
    if (!row && !RESULT_PARAMETERS.has(name)) {
      refuseUnknown(name, lenient);
      continue;
    }
    if (value === '') throw badParameter(name, 'has no value.');
    // patient and patient:identifier are one parameter
    const [base = ''] = name.split(/[:.]/, 1);
    if (seen.has(base) && row?.repeats !== true)
      throw unservedParameter(name, 'may be given once. Put a comma between values any of which may match.');
    seen.add(base);
    row?.read(criteria, value, { name, baseUrl });
    if (name === '_count') criteria.count = parseCount(value);
    if (name === '_cursor') criteria.cursor = parseCursor(value);
    else used.push({ name, value: name === '_count' ? String(criteria.count) : value });
  }
  return { criteria, used };
}

const RESULT_PARAMETERS: ReadonlySet<string> = new Set(['_count', '_cursor', '_format']);

function refuseUnknown(name: string, lenient: boolean): void {
  const [base = ''] = name.split(/[:.]/, 1);
  // R4 Search 3.1.1.4.4: a modifier that is not supported is refused, lenient or not
  if (name.includes(':') && Object.hasOwn(AUDIT_PARAMETERS, base)) throw unservedParameter(name, 'is not served with this modifier.');
  if (!lenient) throw unservedParameter(name, 'is not served for AuditEvent. Leave it out, or send Prefer: handling=lenient.');
}

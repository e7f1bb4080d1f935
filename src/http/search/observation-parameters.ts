/**
 * The search parameters of Observation: one table that the parser reads and the
 * CapabilityStatement lists.
 */
import type { DateBound, InstantBound, Token } from '../../ports.ts';
import { unservedParameter } from './refusals.ts';
import { alternatives, fullIdentifier, referenceId, resourceId, searchDate, token } from './values.ts';

export type SearchParameterType = 'token' | 'reference' | 'date' | 'string' | 'uri';

/** What a search asks for, gathered parameter by parameter. */
export interface Criteria {
  ids?: string[];
  persons?: string[];
  /** Identifiers of persons; which Patients they are is for the store to say. */
  personIdentifiers?: Required<Token>[];
  codes?: Token[];
  categories?: Token[];
  statuses?: string[];
  identifiers?: Token[];
  devices?: string[];
  derivedFrom?: string[];
  tags?: Token[];
  dates: DateBound[];
  lastUpdated: InstantBound[];
}

interface ParameterRow {
  readonly type: SearchParameterType;
  readonly means: string;
  /** May be given several times, all of which must hold. */
  readonly repeats?: boolean;
  /** Listed in the CapabilityStatement; spellings with a modifier or a chain are not. */
  readonly listed: boolean;
  readonly read: (criteria: Criteria, value: string, context: { readonly name: string; readonly baseUrl: string }) => void;
}

const tokens =
  (field: 'codes' | 'categories' | 'identifiers' | 'tags'): ParameterRow['read'] =>
  (criteria, value, { name }) => {
    criteria[field] = alternatives(name, value).map((text) => token(name, text));
  };

const persons: ParameterRow['read'] = (criteria, value, { name, baseUrl }) => {
  nameOnePerson(criteria);
  criteria.persons = alternatives(name, value).map((text) => `Patient/${referenceId(name, text, 'Patient', baseUrl)}`);
};

const personIdentifiers: ParameterRow['read'] = (criteria, value, { name }) => {
  nameOnePerson(criteria);
  criteria.personIdentifiers = alternatives(name, value).map((text) => fullIdentifier(name, text));
};

function nameOnePerson({ persons: given, personIdentifiers: identified }: Criteria): void {
  if (given ?? identified) throw unservedParameter('subject', 'names the person a second time. Use patient or subject, once.');
}

const PERSON = 'whose body was measured: id, Patient/id, or that under this base';
const PERSON_IDENTIFIER = 'whose body was measured, by system|value';

export const OBSERVATION_PARAMETERS: Readonly<Record<string, ParameterRow>> = {
  _id: {
    type: 'token',
    means: 'id',
    listed: true,
    read: (criteria, value, { name }) => void (criteria.ids = alternatives(name, value).map((text) => resourceId(name, text))),
  },
  _lastUpdated: {
    type: 'date',
    means: 'when this version was stored',
    repeats: true,
    listed: true,
    read: (criteria, value, { name }) => {
      const { comparator, start, end } = searchDate(name, value);
      criteria.lastUpdated.push({ comparator, start, end });
    },
  },
  _tag: { type: 'token', means: 'tag; naming one brings held readings into view', listed: true, read: tokens('tags') },
  patient: { type: 'reference', means: PERSON, listed: true, read: persons },
  'patient:Patient': { type: 'reference', means: PERSON, listed: false, read: persons },
  'patient:identifier': { type: 'token', means: PERSON_IDENTIFIER, listed: false, read: personIdentifiers },
  'patient.identifier': { type: 'token', means: PERSON_IDENTIFIER, listed: false, read: personIdentifiers },
  subject: { type: 'reference', means: PERSON, listed: true, read: persons },
  'subject:Patient': { type: 'reference', means: PERSON, listed: false, read: persons },
  'subject:identifier': { type: 'token', means: PERSON_IDENTIFIER, listed: false, read: personIdentifiers },
  'subject.identifier': { type: 'token', means: PERSON_IDENTIFIER, listed: false, read: personIdentifiers },
  code: { type: 'token', means: 'what was measured: any of its codings', listed: true, read: tokens('codes') },
  category: { type: 'token', means: 'category', listed: true, read: tokens('categories') },
  date: {
    type: 'date',
    means: 'when it was measured',
    repeats: true,
    listed: true,
    read: (criteria, value, { name }) => {
      const { comparator, startMs, endMs } = searchDate(name, value);
      criteria.dates.push({ comparator, startMs, endMs });
    },
  },
  status: {
    type: 'token',
    means: 'status; naming preliminary brings held readings into view',
    listed: true,
    read: (criteria, value, { name }) => void (criteria.statuses = alternatives(name, value).map((text) => token(name, text).value)),
  },
  identifier: { type: 'token', means: 'business identifier', listed: true, read: tokens('identifiers') },
  device: {
    type: 'reference',
    means: 'the measuring device: id or Device/id',
    listed: true,
    read: (criteria, value, { name, baseUrl }) =>
      void (criteria.devices = alternatives(name, value).map((text) => `Device/${referenceId(name, text, 'Device', baseUrl)}`)),
  },
  'derived-from': {
    type: 'reference',
    means: 'the reading that it was derived from: id or Observation/id',
    listed: true,
    read: (criteria, value, { name, baseUrl }) =>
      void (criteria.derivedFrom = alternatives(name, value).map((text) => referenceId(name, text, 'Observation', baseUrl))),
  },
};

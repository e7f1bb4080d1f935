/**
 * What the API description says of each interaction and operation of the served table.
 */
import type { ServedOperation, ServedResource, Interaction } from '../served.ts';
import { AUDIT_PARAMETERS } from '../search/audit-query.ts';
import { OBSERVATION_PARAMETERS } from '../search/observation-parameters.ts';
import { DEFAULT_COUNT, INCLUDE_INPUTS, LARGEST_COUNT } from '../search/observation-query.ts';
import { FORMAT, type DescribedAnswer, type DescribedParameter, type Description } from './description.ts';
import { READ_SUBSCRIPTION, SUBSCRIBE, SUBSCRIPTION_EVENTS, SUBSCRIPTION_STATUS, UNSUBSCRIBE } from './subscription-calls.ts';

const VERSION = ['ETag', 'Last-Modified'] as const;
const STORED = ['Location', ...VERSION] as const;
const PAGING: readonly DescribedParameter[] = [
  { name: '_count', means: `Page size; ${DEFAULT_COUNT} unless given, ${LARGEST_COUNT} at most.` },
  { name: '_cursor', means: 'Opaque; stands in next links only.' },
  FORMAT,
];
/** How the result of an Observation search looks. */
const SHAPING: readonly DescribedParameter[] = [
  { name: '_sort', means: 'date, _lastUpdated or _id, several with commas; a minus before it for the latest first.' },
  { name: '_include', means: `${INCLUDE_INPUTS}: what the found BMI were derived from as well.` },
  { name: '_summary', means: 'count: the number alone.' },
  { name: '_total', means: 'none, accurate or estimate.' },
];

const NOT_THERE: DescribedAnswer = { means: 'There is no such resource here.', resource: 'OperationOutcome' };
const refusal = (means: string): DescribedAnswer => ({ means, resource: 'OperationOutcome' });
const STALE = refusal('If-Match names a version that is not the current one: read again and repeat the change.');
const TAKEN = refusal('The identifier names another reading.');
const BY_A_RULE = refusal('Refused by a rule: nothing is stored but the refusal. Each issue names the rule, the element and the remedy.');
const HELD: DescribedAnswer = {
  means:
    'Held: stored as preliminary, possible but doubtful, and not forwarded until it is released. Its issues say why. Not to be sent again.',
  resource: 'OperationOutcome',
  headers: STORED,
};

/** @param method of the route: a search may be asked either way */
export function describeInteraction(served: ServedResource, interaction: Interaction, method: string): Description {
  const { type, means, kind } = served;
  const one = (text: string): DescribedAnswer => ({ means: text, resource: type, headers: VERSION });
  const isStored = kind !== 'artefact' && kind !== 'audit' && kind !== 'subscription';
  const read: Pick<Description, 'headers' | 'answers'> = isStored
    ? {
        headers: ['If-None-Match'],
        answers: { 200: one('The resource.'), 304: { means: 'The caller has this version.', headers: VERSION }, 404: NOT_THERE },
      }
    : kind === 'subscription'
      ? READ_SUBSCRIPTION
      : { answers: { 200: { means: 'The resource.', resource: type }, 404: NOT_THERE } };
  switch (interaction) {
    case 'delete':
      return { means, ...UNSUBSCRIBE };
    case 'create':
      if (kind === 'subscription') return { means, ...SUBSCRIBE };
      return {
        summary: 'Take in one reading',
        means,
        headers: ['If-None-Exist', 'Prefer'],
        body: [type],
        answers: {
          200: {
            ...one('The same reading was there already: nothing is stored a second time. The sender may delete its copy.'),
            headers: STORED,
          },
          201: { ...one('Accepted and stored, its digits as they were written. The sender may delete its copy.'), headers: STORED },
          202: HELD,
          409: TAKEN,
          412: refusal('If-None-Exist fits more than one reading.'),
          422: BY_A_RULE,
        },
      };
    case 'update':
      return kind === 'registry' ? register(type, means) : correct(type);
    case 'read':
      return { summary: `Read one ${type}`, means, ...read };
    case 'vread':
      return { summary: `Read one version of one ${type}`, means, ...read };
    case 'history-instance':
      return {
        summary: `Every version of one ${type}, newest first`,
        means,
        answers: { 200: { means: 'A Bundle of type history.', resource: 'Bundle' }, 404: NOT_THERE },
      };
    case 'search-type':
      return {
        summary: `Search ${type}${method === 'post' ? ' by POST' : ''}`,
        means,
        headers: ['Prefer'],
        query: searchParametersOf(served),
        answers: { 200: { means: 'A Bundle of type searchset; next links lead on.', resource: 'Bundle' } },
      };
  }
}

function correct(type: string): Description {
  return {
    summary: 'Correct a reading',
    means:
      'The next version of a stored reading, or its withdrawal (status entered-in-error). If-Match is required; without it the answer is 400. ' +
      'The correction is judged like a new reading.',
    headers: ['If-Match', 'Prefer'],
    body: [type],
    answers: {
      200: { means: 'Stored as the next version.', resource: type, headers: STORED },
      202: HELD,
      405: { ...refusal('No reading is stored under this id, and ids are given by the service.'), headers: ['Allow'] },
      409: refusal('The identifier names another reading, or somebody decided that this one is void.'),
      412: STALE,
      422: BY_A_RULE,
    },
  };
}

function register(type: string, means: string): Description {
  return {
    summary: `Tell the service of a ${type}`,
    means: `${means} The caller gives the id. With If-Match only the version that it names is replaced.`,
    headers: ['If-Match', 'Prefer'],
    body: [type],
    answers: {
      200: { means: 'Stored as the next version.', resource: type, headers: STORED },
      201: { means: 'Stored as new.', resource: type, headers: STORED },
      412: STALE,
      422: BY_A_RULE,
    },
  };
}

function searchParametersOf(served: ServedResource): DescribedParameter[] {
  switch (served.kind) {
    case 'reading':
      return [...rowsOf(OBSERVATION_PARAMETERS), ...SHAPING, ...PAGING];
    case 'audit':
      return [...rowsOf(AUDIT_PARAMETERS), ...PAGING];
    case 'artefact':
    case 'subscription':
      return [...served.parameters, FORMAT];
    default:
      return [...served.parameters, ...PAGING];
  }
}

function rowsOf(table: Readonly<Record<string, { readonly means: string; readonly repeats?: boolean }>>): DescribedParameter[] {
  return Object.entries(table).map(([name, { means, repeats }]) => ({ name, means, ...(repeats === true && { repeats }) }));
}

const HELD_ANSWERS: Description['answers'] = {
  200: {
    means: 'Parameters with the outcome, the Observation as it stands now and, if it was moved, the new one.',
    resource: 'Parameters',
    headers: VERSION,
  },
  404: NOT_THERE,
  409: refusal('It is not held, or somebody was first.'),
  412: STALE,
  422: refusal('What came of it is refused by a rule; the reading goes on waiting.'),
};

/** Nothing of it can be refused by a rule: the reading waits again as it did. */
const { 422: _refused, ...AS_DECIDED } = HELD_ANSWERS;
const UNDO_ANSWERS: Description['answers'] = {
  ...AS_DECIDED,
  409: refusal(
    'There is no decision to take back, or it is too late: its time is over, the reading was changed since, or it went to the EHR.',
  ),
};

const OPERATIONS: Readonly<Record<ServedOperation['name'], Omit<Description, 'means' | 'summary'> & { readonly summary: string }>> = {
  validate: {
    summary: 'Dry run: what would be answered',
    query: [{ name: 'mode', means: 'create' }, { name: 'profile', means: 'Canonical URL of a profile that is known here.' }, FORMAT],
    body: ['Observation', 'Parameters'],
    answers: { 200: { means: 'The outcome, whatever it says.', resource: 'OperationOutcome' } },
  },
  assess: {
    summary: 'Dry run: verdict, outcome, and what would be stored',
    body: ['Observation', 'Parameters'],
    answers: { 200: { means: 'Parameters: verdict, outcome, observation, and each derived.', resource: 'Parameters' } },
  },
  decide: { summary: 'Decide on a held reading', headers: ['If-Match'], body: ['Parameters'], answers: HELD_ANSWERS },
  undo: { summary: 'Take back the last decision on a reading', headers: ['If-Match'], body: ['Parameters'], answers: UNDO_ANSWERS },
  status: SUBSCRIPTION_STATUS,
  events: SUBSCRIPTION_EVENTS,
  claim: { summary: 'Name the person of a reading that names nobody', headers: ['If-Match'], body: ['Parameters'], answers: HELD_ANSWERS },
  affected: {
    summary: 'What a scale measured since a time',
    answers: { 200: { means: 'A Bundle of type searchset.', resource: 'Bundle' }, 404: NOT_THERE },
  },
  recall: {
    summary: 'Mark what a scale measured since a time',
    body: ['Parameters'],
    answers: { 200: { means: 'Parameters: what was marked.', resource: 'Parameters' }, 404: NOT_THERE },
  },
};

/** @param method of the route: what is a parameter of the URL by GET stands in Parameters by POST */
export function describeOperation({ name, means }: ServedOperation, method: string): Description {
  const base = { ...OPERATIONS[name], means };
  if (name !== 'affected') return base;
  return method === 'post'
    ? { ...base, body: ['Parameters'] }
    : { ...base, query: [{ name: 'since', means: 'A day, or a time with its offset.', required: true }, ...PAGING] };
}

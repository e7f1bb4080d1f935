/** What the API description says of Subscriptions and their operations. */
import { FORMAT, type DescribedAnswer, type DescribedParameter, type Description } from './description.ts';

const NOT_THERE: DescribedAnswer = { means: 'There is no such Subscription here, or no longer.', resource: 'OperationOutcome' };

export const SUBSCRIBE: Pick<Description, 'summary' | 'headers' | 'body' | 'answers'> = {
  summary: 'Have an endpoint told of changed Observations',
  headers: ['Prefer'],
  body: ['Subscription'],
  answers: {
    201: { means: 'Stored as requested: the endpoint is greeted next.', resource: 'Subscription', headers: ['Location'] },
    404: { means: 'The operator allows no endpoint.', resource: 'OperationOutcome' },
    409: { means: 'There are as many Subscriptions as are taken.', resource: 'OperationOutcome' },
  },
};

export const UNSUBSCRIBE: Pick<Description, 'summary' | 'answers'> = {
  summary: 'Tell it no more',
  answers: { 204: { means: 'Deleted.' }, 404: NOT_THERE },
};

/** It has no versions. */
export const READ_SUBSCRIPTION: Pick<Description, 'answers'> = {
  answers: { 200: { means: 'The resource.', resource: 'Subscription' }, 404: NOT_THERE },
};

export const SUBSCRIPTION_STATUS: Pick<Description, 'summary' | 'answers'> = {
  summary: 'How a Subscription stands',
  answers: { 200: { means: 'A Bundle with the status as Parameters.', resource: 'Bundle' }, 404: NOT_THERE },
};

const RANGE: readonly DescribedParameter[] = [
  { name: 'eventsSinceNumber', means: 'Number of the first event that is wanted.' },
  { name: 'eventsUntilNumber', means: 'Number of the last one.' },
  { name: 'content', means: 'empty, id-only or full-resource; as the Subscription says when left out.' },
  FORMAT,
];

export const SUBSCRIPTION_EVENTS: Pick<Description, 'summary' | 'query' | 'headers' | 'answers'> = {
  summary: 'Its events once more',
  query: RANGE,
  headers: ['Prefer'],
  answers: { 200: { means: 'A notification Bundle of type history.', resource: 'Bundle' }, 404: NOT_THERE },
};

/** What the API description says of the bulk export (HL7 FHIR Bulk Data Access 2.0, asynchronous pattern). */
import { FORMAT, type DescribedAnswer, type Description } from './description.ts';

const NOT_THERE: DescribedAnswer = { means: 'There is no such export of this client, or no longer.', resource: 'OperationOutcome' };

export const EXPORT_CALL: Description = {
  summary: 'Begin an export of all Observations',
  means: 'Needs Prefer: respond-async; without it the answer is 400. What is stored now is exported, held readings left out.',
  query: [
    { name: '_type', means: 'Observation: the one type that is exported.' },
    { name: '_since', means: 'An instant: only what changed at it or later.' },
    { name: '_outputFormat', means: 'application/fhir+ndjson, application/ndjson or ndjson.' },
    FORMAT,
  ],
  headers: ['Prefer'],
  answers: { 202: { means: 'Begun; ask at Content-Location how far it is.', headers: ['Content-Location'] } },
};

export const EXPORT_STATUS_CALL: Description = {
  summary: 'How far an export is, and its files',
  means: 'Ask again after the seconds of Retry-After while it is under way.',
  answers: {
    200: { means: 'The manifest: one URL for each file.', media: ['application/json'], headers: ['Expires'] },
    202: { means: 'Under way.', headers: ['X-Progress', 'Retry-After', 'Expires'] },
    404: NOT_THERE,
  },
};

export const EXPORT_DELETE_CALL: Description = {
  summary: 'Give up an export, or its files',
  means: 'An export that nobody deletes expires by itself.',
  answers: { 202: { means: 'Given up.' }, 404: NOT_THERE },
};

export const EXPORT_FILE_CALL: Description = {
  summary: 'One file of an export',
  means: 'One Observation a line, its digits as they were written.',
  answers: { 200: { means: 'The file.', media: ['application/fhir+ndjson'], headers: ['Expires'] }, 404: NOT_THERE },
};

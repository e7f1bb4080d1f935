/** What the API description says of the calls that are of no one resource type. */
import { MOST_ENTRIES } from '../../ingest/bundle.ts';
import type { DescribedAnswer, Description } from './description.ts';

export const METADATA_CALL: Description = {
  summary: 'CapabilityStatement',
  means: 'What this service serves, in the words of the standard.',
  answers: { 200: { means: 'The statement.', resource: 'CapabilityStatement' } },
};

export const SMART_CALL: Description = {
  summary: 'Where tokens come from',
  means: 'Issuer and scopes (SMART App Launch 2.2, Conformance).',
  answers: {
    200: { means: 'What is known here of how to get a token.', media: ['application/json'] },
    404: { means: 'No token is asked for here.', resource: 'OperationOutcome' },
  },
};

const asAWhole = (means: string): DescribedAnswer => ({
  means: `A transaction was refused as a whole: ${means}`,
  resource: 'OperationOutcome',
});

export const BUNDLE_CALL: Description = {
  summary: 'Take in a Bundle of type batch or transaction',
  means:
    `Of a batch each entry is answered by itself, as a call of its own would be: 200 says only that there are answers, so read each. A transaction is stored ` +
    `whole or not at all, and refused with the status of its first refused entry. ${MOST_ENTRIES} entries at most; urn:uuid references resolve within the Bundle.`,
  body: ['Bundle'],
  answers: {
    200: {
      means: 'A Bundle of type batch-response or transaction-response, one entry for each that was sent, in their order.',
      resource: 'Bundle',
    },
    404: asAWhole('a person that it names by condition is not there.'),
    405: { ...asAWhole('an entry asks for what entries may not, or corrects what is not there.'), headers: ['Allow'] },
    409: asAWhole('an identifier names another reading.'),
    412: asAWhole('a version is not the current one, or a condition fits several.'),
    422: asAWhole('a rule refuses an entry.'),
  },
};

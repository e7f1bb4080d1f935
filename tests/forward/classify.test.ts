import { describe, expect, it } from 'vitest';
import { classify, STATUS_TABLE, type SetbackKind } from '../../src/forward/classify.ts';
import type { EhrReply } from '../../src/forward/ehr-client.ts';
import type { OutgoingEntry } from '../../src/forward/outgoing-bundle.ts';
import { OURS } from '../../src/core/terminology.ts';

const weight: OutgoingEntry = {
  type: 'Observation',
  id: 'w-1',
  version: 1,
  identity: { type: 'Observation', system: OURS.observationIdentifier, value: 'w-1' },
  method: 'POST',
  content: {},
};
const bmiUpdate: OutgoingEntry = {
  type: 'Observation',
  id: 'b-1',
  version: 2,
  identity: { type: 'Observation', system: OURS.observationIdentifier, value: 'b-1' },
  method: 'PUT',
  content: {},
  copyAt: 'Observation/77',
};
const provenance: OutgoingEntry = {
  type: 'Provenance',
  id: 'p-1',
  version: 1,
  identity: { type: 'Provenance', system: OURS.provenanceTag, value: 'p-1' },
  method: 'POST',
  content: {},
};

function answer(status: number, body?: unknown): EhrReply {
  return { kind: 'answer', status, ...(body === undefined ? {} : { text: typeof body === 'string' ? body : JSON.stringify(body) }) };
}

function transactionResponse(...responses: readonly object[]): EhrReply {
  return answer(200, { resourceType: 'Bundle', type: 'transaction-response', entry: responses.map((response) => ({ response })) });
}

const created = (location: string) => ({ status: '201 Created', location });

describe('a status that is not a success', () => {
  const rows: readonly (readonly [number, SetbackKind])[] = [
    ...[408, 425, 429, 503].map((status) => [status, 'transient'] as const),
    ...[409, 412].map((status) => [status, 'conflict'] as const),
    ...[401, 403, 404, 405, 406, 407, 421, 426, 501, 505, 300, 301, 302, 303, 307, 308].map((status) => [status, 'destination'] as const),
    ...[400, 410, 413, 415, 422].map((status) => [status, 'permanent'] as const),
    ...[500, 502, 504].map((status) => [status, 'unclear'] as const),
    // statuses of no row are read as the first of their hundred (RFC 9110 section 15)
    [418, 'permanent'],
    [399, 'destination'],
    [599, 'unclear'],
  ];
  it.each(rows)('%i is %s', (status, kind) => {
    expect(classify(answer(status, ''), [weight])).toMatchObject({ kind, status });
  });

  it('stands in one row of the table only', () => {
    const all = STATUS_TABLE.flatMap(({ statuses }) => statuses);
    expect(new Set(all).size).toBe(all.length);
  });

  it('404 that points into the Bundle is about the content', () => {
    const outcome = {
      resourceType: 'OperationOutcome',
      issue: [{ severity: 'error', code: 'not-found', expression: ['Bundle.entry[0].resource.subject'] }],
    };
    expect(classify(answer(404, outcome), [weight])).toMatchObject({ kind: 'permanent', issueCodes: ['not-found'] });
  });

  it('keeps the known issue codes, each once, and nothing else of what the EHR says', () => {
    const issue = ['business-rule', 'business-rule', 'Invented Name', 'required'].map((code) => ({
      severity: 'error',
      code,
      diagnostics: 'Invented Name',
    }));
    expect(classify(answer(422, { resourceType: 'OperationOutcome', issue }), [weight])).toEqual({
      kind: 'permanent',
      reason: 'the EHR refuses the content (status 422, issues business-rule required)',
      status: 422,
      issueCodes: ['business-rule', 'required'],
    });
  });
});

describe('no answer', () => {
  it('before the request left is unsent', () => {
    expect(classify({ kind: 'unsent', cause: 'ECONNREFUSED' }, [weight])).toEqual({
      kind: 'unsent',
      reason: 'the EHR was not reached (ECONNREFUSED)',
    });
  });
  it('after the request left is unclear', () => {
    expect(classify({ kind: 'unclear', cause: 'UND_ERR_SOCKET' }, [weight])).toMatchObject({ kind: 'unclear' });
  });
});

describe('a success', () => {
  it('with a place for each entry is sent', () => {
    const reply = transactionResponse(
      created('Observation/5/_history/1'),
      { status: '200', etag: 'W/"2"' },
      created('https://ehr.example/fhir/Provenance/9/_history/1'),
    );
    expect(classify(reply, [weight, bmiUpdate, provenance])).toEqual({
      kind: 'sent',
      copies: [
        { type: 'Observation', id: 'w-1', reference: 'Observation/5', version: 1 },
        { type: 'Observation', id: 'b-1', reference: 'Observation/77', version: 2 },
        { type: 'Provenance', id: 'p-1', reference: 'Provenance/9', version: 1 },
      ],
    });
  });

  const whole = created('Observation/5/_history/1');
  const second = created('Provenance/9/_history/1');
  const unproven: readonly (readonly [string, EhrReply])[] = [
    ['without a body', answer(200)],
    ['with an empty body', answer(200, '')],
    ['with a page for people', answer(200, '<html><body>Sign in</body></html>')],
    ['with half of its JSON', answer(200, '{"resourceType":"Bundle","type":"transaction-resp')],
    [
      'with a batch-response',
      answer(200, { resourceType: 'Bundle', type: 'batch-response', entry: [{ response: whole }, { response: second }] }),
    ],
    ['with no entries', answer(200, { resourceType: 'Bundle', type: 'transaction-response' })],
    ['with an entry missing', transactionResponse(whole)],
    ['with an entry too many', transactionResponse(whole, second, second)],
    ['with entries in another order', transactionResponse(second, whole)],
    ['with an entry that failed', transactionResponse(whole, { status: '422' })],
    ['with a status that is no text', transactionResponse(whole, { ...second, status: 201 })],
    ['with an entry without a place', transactionResponse(whole, { status: '201', etag: 'W/"1"' })],
    ['with entries that are no objects', answer(200, { resourceType: 'Bundle', type: 'transaction-response', entry: ['201', null] })],
    ['with a place that is no reference', transactionResponse(whole, created('../../Provenance'))],
  ];
  it.each(unproven)('%s is unclear', (_title, reply) => {
    expect(classify(reply, [weight, provenance])).toMatchObject({ kind: 'unclear', status: 200 });
  });

  it('that names one place for two entries is unclear', () => {
    expect(classify(transactionResponse(whole, whole), [weight, { ...weight, id: 'w-2' }])).toMatchObject({ kind: 'unclear' });
  });

  it('that names another place for an update is unclear', () => {
    expect(classify(transactionResponse({ status: '200', location: 'Observation/78/_history/2' }), [bmiUpdate])).toMatchObject({
      kind: 'unclear',
    });
  });

  it("that returns somebody else's resource is unclear", () => {
    const resource = { resourceType: 'Observation', id: '5', identifier: [{ system: OURS.observationIdentifier, value: 'w-2' }] };
    const reply = answer(200, { resourceType: 'Bundle', type: 'transaction-response', entry: [{ response: whole, resource }] });
    expect(classify(reply, [weight])).toMatchObject({ kind: 'unclear' });
    expect(classify(reply, [{ ...weight, identity: { ...weight.identity, value: 'w-2' } }])).toMatchObject({ kind: 'sent' });
  });
});

/** Posted Bundles: a batch, whose entries stand alone, and a transaction, all or nothing. */
import { describe, expect, it } from 'vitest';
import type { JsonObject } from '../../src/core/json.ts';
import { bmi, height, weight } from '../measurements.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { createIntake } from '../../src/ingest.ts';
import { StoreUnavailable, type Store } from '../../src/ports.ts';
import { arrived } from '../arrived.ts';
import { CLOCK } from '../measurements.ts';
import { idOf, openDesk } from './desk.ts';

const EARLIER = { effectiveDateTime: '2026-03-01T08:00:00Z' };
const URN = 'urn:uuid:0b49fe9e-608d-4ec4-9070-37b2a2ca1721';
const create = (resource: object, more: object = {}, request: object = {}) => ({
  ...more,
  resource,
  request: { method: 'POST', url: 'Observation', ...request },
});
const put = (url: string, resource: object, ifMatch?: string) => ({
  resource,
  request: { method: 'PUT', url, ...(ifMatch !== undefined && { ifMatch }) },
});
const ADA = { resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17' };

interface Response {
  readonly status: string;
  readonly location?: string;
  readonly outcome: {
    readonly issue: readonly {
      readonly details?: { readonly coding: readonly { readonly code: string }[] };
      readonly expression?: string[];
    }[];
  };
}
const responsesOf = (body: JsonObject): Response[] =>
  (body['entry'] as unknown as { readonly response: Response }[]).map(({ response }) => response);
const statusesOf = (body: JsonObject): string[] => responsesOf(body).map(({ status }) => status);
const rulesOf = ({ outcome }: Response): (string | undefined)[] => outcome.issue.map(({ details }) => details?.coding[0]?.code);

describe('a Bundle that is none', () => {
  it('is refused whole and kept with the refusals, as a single reading is', async () => {
    const desk = await openDesk();
    const { status, body } = await desk.bundle('transaction', [create(weight()), { resource: weight() }]);
    expect(status).toBe(422);
    expect(body).toMatchObject({ resourceType: 'OperationOutcome', issue: [{ severity: 'error', code: 'invariant' }] });
    expect(await desk.counts()).toMatchObject({ observations: 0, refusals: 1 });
  });
});

describe('a batch', () => {
  it('answers each entry in its place, whatever becomes of the others', async () => {
    const desk = await openDesk();
    const { status, body } = await desk.bundle('batch', [
      create(weight('70.33')),
      create(weight('80.0')),
      create({ ...weight(), status: 'done' }),
      create(weight('300.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00Z' })),
      put('Observation/none', { ...weight(), id: 'none' }, 'W/"1"'),
      { resource: weight(), request: { method: 'DELETE', url: 'Observation/r1' } },
      put('Patient/ada', ADA),
    ]);
    expect(status).toBe(200);
    expect(body).toMatchObject({ resourceType: 'Bundle', type: 'batch-response' });
    expect(statusesOf(body)).toEqual([
      '422 Unprocessable Entity',
      '201 Created',
      '400 Bad Request',
      '202 Accepted',
      '405 Method Not Allowed',
      '405 Method Not Allowed',
      '201 Created',
    ]);
    expect(await desk.counts()).toMatchObject({ observations: 2, patients: 1, refusals: 2, outbox: 1 });
  });

  it('judges readings with the people of the same batch, and a BMI with its readings, in any order', async () => {
    const desk = await openDesk();
    const { body } = await desk.bundle('batch', [
      create(bmi('31.3')),
      create(weight('80.0')),
      create(height('160.0', 'cm', EARLIER)),
      put('Patient/ada', ADA),
    ]);
    expect(statusesOf(body)).toEqual(['200 OK', '201 Created', '201 Created', '201 Created']);
    expect(responsesOf(body).flatMap(rulesOf)).not.toContain('person-unknown');
  });

  it('keeps the order of its entries', async () => {
    const desk = await openDesk();
    const values = Array.from({ length: 30 }, (_, index) => `${60 + index}.5`);
    await desk.bundle(
      'batch',
      values.map((value, index) =>
        create(weight(value, 'kg', { effectiveDateTime: `2026-03-02T08:${String(59 - index).padStart(2, '0')}:00Z` })),
      ),
    );
    const ids = (await desk.outbox()).map(({ resources }) => resources[0]?.id);
    const stored = await Promise.all(
      ids.map(async (id) => (await desk.store.read.current('Observation', id!))?.text.match(/"value":([\d.]+)/)?.[1]),
    );
    expect(stored).toEqual(values);
  });

  it('says where in the Bundle a rule was broken, and keeps the entry as it was', async () => {
    const desk = await openDesk();
    const { body } = await desk.bundle('batch', [create(weight('80.0')), create(weight('70.330'))]);
    const [, second] = responsesOf(body);
    expect(second?.outcome.issue[0]).toMatchObject({ expression: ['Bundle.entry[1].resource.value.ofType(Quantity).value'] });
    const [refusal] = await desk.store.read.refusals(1);
    expect(refusal?.text).toContain('"value":70.330,');
  });

  it('does not resolve references between entries, which stand alone', async () => {
    const desk = await openDesk();
    const { body } = await desk.bundle('batch', [
      { ...put('Patient/ada', ADA), fullUrl: URN },
      create(weight('80.0', 'kg', { subject: { reference: URN } })),
    ]);
    expect(rulesOf(responsesOf(body)[1]!)).toContain('subject-unresolvable');
  });

  it('stores one of two equal entries', async () => {
    const desk = await openDesk();
    const { body } = await desk.bundle('batch', [create(weight('80.0')), create(weight('80.0'))]);
    expect(statusesOf(body).sort()).toEqual(['200 OK', '201 Created']);
    expect(await desk.counts()).toMatchObject({ observations: 1, outbox: 1 });
  });
});

describe('a transaction', () => {
  it('stores everything and points temporary references to what was stored', async () => {
    const desk = await openDesk();
    const { status, body } = await desk.bundle('transaction', [
      create(weight('80.0', 'kg', { subject: { reference: URN } })),
      create(height('160.0', 'cm', { ...EARLIER, subject: { reference: URN } })),
      { ...put('Patient/ada', ADA), fullUrl: URN },
    ]);
    expect(status).toBe(200);
    expect(body).toMatchObject({ type: 'transaction-response' });
    expect(statusesOf(body)).toEqual(['201 Created', '201 Created', '201 Created']);
    const id = responsesOf(body)[0]?.location?.split('/')[1] ?? '';
    expect(await desk.tree(id)).toMatchObject({ subject: { reference: 'Patient/ada' } });
    expect(await desk.standing()).toMatchObject([{ weightId: id, valueText: '31.3' }]);
  });

  it('points to the earlier place of a reading that was sent again', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(height('160.0', 'cm', EARLIER)));
    const { body } = await desk.bundle('transaction', [
      create(height('160.0', 'cm', EARLIER), { fullUrl: URN }),
      create(weight('80.0', 'kg', { hasMember: [{ reference: URN }] })),
    ]);
    expect(statusesOf(body)).toEqual(['200 OK', '201 Created']);
    const second = responsesOf(body)[1]?.location?.split('/')[1] ?? '';
    expect(await desk.tree(second)).toMatchObject({ hasMember: [{ reference: `Observation/${id}` }] });
  });

  it('finds a person by a conditional reference', async () => {
    const desk = await openDesk();
    const identifier = [{ system: 'urn:mrn', value: '1' }];
    const subject = { reference: 'Patient?identifier=urn:mrn|1' };
    await expect(desk.bundle('transaction', [create(weight('80.0', 'kg', { subject }))])).rejects.toMatchObject({ code: 'ERR_NOT_FOUND' });
    const { body } = await desk.bundle('transaction', [
      put('Patient/ada', { ...ADA, identifier }),
      create(weight('80.0', 'kg', { subject })),
    ]);
    expect(statusesOf(body)).toEqual(['201 Created', '201 Created']);
    expect(await desk.readings()).toHaveLength(1);
    await desk.put('Patient', { ...ADA, id: 'bo', identifier } as never);
    await expect(desk.bundle('transaction', [create(weight('81.0', 'kg', { subject }))])).rejects.toMatchObject({
      code: 'ERR_SEVERAL_MATCHES',
    });
    const unclear = { reference: 'Patient?name=Ada' };
    await expect(desk.bundle('transaction', [create(weight('81.0', 'kg', { subject: unclear }))])).rejects.toMatchObject({
      code: 'ERR_BAD_VALUE',
      expression: 'Bundle.entry[0].resource.subject.reference',
    });
  });

  it('leaves nothing of itself when one entry is refused, but keeps the refusal', async () => {
    const desk = await openDesk();
    await desk.post(weight('79.0', 'kg', EARLIER));
    const before = await desk.counts();
    const { status, body } = await desk.bundle('transaction', [
      put('Patient/ada', ADA),
      create(height('160.0', 'cm', EARLIER)),
      create(weight('80.33')),
      create(weight('81.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00Z' })),
    ]);
    expect(status).toBe(422);
    expect(body).toMatchObject({
      resourceType: 'OperationOutcome',
      issue: [{ severity: 'error', expression: ['Bundle.entry[2].resource.value.ofType(Quantity).value'] }],
    });
    expect(await desk.counts()).toEqual({ ...before, refusals: 1 });
    expect(await desk.standing()).toEqual([]);
    expect((await desk.store.read.refusals(1))[0]?.text).toContain('"type":"transaction"');
    // the refused one is no resend of itself afterwards
    expect((await desk.post(height('160.0', 'cm', EARLIER))).status).toBe(201);
  });

  it('leaves nothing of itself when an entry cannot be served', async () => {
    const desk = await openDesk();
    const before = await desk.counts();
    await expect(
      desk.bundle('transaction', [create(weight('80.0')), put('Observation/none', { ...weight(), id: 'none' }, 'W/"1"')]),
    ).rejects.toMatchObject({ code: 'ERR_METHOD' });
    expect(await desk.counts()).toEqual(before);
  });

  it('takes held readings, which wait as ever', async () => {
    const desk = await openDesk();
    const { body } = await desk.bundle('transaction', [create(weight('1.5')), create(height('160.0', 'cm', EARLIER))]);
    expect(statusesOf(body)).toEqual(['202 Accepted', '201 Created']);
    expect(await desk.counts()).toMatchObject({ observations: 2, outbox: 1 });
  });

  it('corrects, with the version it corrects', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('80.0')));
    const corrected = { ...weight('81.0', 'kg', { status: 'corrected' }), id };
    await expect(desk.bundle('transaction', [put(`Observation/${id}`, corrected)])).rejects.toMatchObject({
      code: 'ERR_IF_MATCH_REQUIRED',
    });
    await expect(desk.bundle('transaction', [put(`Observation/${id}`, corrected, 'W/"9"')])).rejects.toMatchObject({
      code: 'ERR_VERSION_CONFLICT',
    });
    await expect(desk.bundle('transaction', [put(`Observation/${id}`, corrected, 'newest')])).rejects.toMatchObject({
      code: 'ERR_BAD_VALUE',
    });
    const { body } = await desk.bundle('transaction', [put(`Observation/${id}`, corrected, 'W/"1"')]);
    expect(statusesOf(body)).toEqual(['200 OK']);
  });

  it('does not write one resource twice', async () => {
    const desk = await openDesk();
    await expect(desk.bundle('transaction', [put('Patient/ada', ADA), put('Patient/ada', ADA)])).rejects.toMatchObject({
      code: 'ERR_BAD_REQUEST',
      expression: 'Bundle.entry[1].request.url',
    });
  });
});

describe('a Bundle', () => {
  it.each([
    ['has no resource', { request: { method: 'POST', url: 'Observation' } }, 'ERR_BAD_REQUEST'],
    ['asks for another type', { resource: weight(), request: { method: 'POST', url: 'Claim' } }, 'ERR_METHOD'],
    ['has a condition that is not served', create(weight(), {}, { ifNoneExist: 'code=1' }), 'ERR_BAD_VALUE'],
  ])('whose entry %s is not taken as a transaction', async (_what, entry, code) => {
    const desk = await openDesk();
    await expect(desk.bundle('transaction', [entry])).rejects.toMatchObject({ code });
    expect(await desk.counts()).toMatchObject({ observations: 0 });
  });

  it('of another type, or with too many entries, is not taken', async () => {
    const desk = await openDesk();
    await expect(desk.bundle('collection' as never, [{ resource: weight() }])).rejects.toMatchObject({ code: 'ERR_NOT_SUPPORTED' });
    await expect(
      desk.bundle(
        'batch',
        Array.from({ length: 1001 }, () => create(weight())),
      ),
    ).rejects.toMatchObject({ code: 'ERR_TOO_LARGE' });
  });

  it('with too many entries is not taken because one of them is faulty', async () => {
    const desk = await openDesk();
    const entries = [{ resource: height() }, ...Array.from({ length: 1000 }, () => create(weight()))];
    await expect(desk.bundle('batch', entries)).rejects.toMatchObject({ code: 'ERR_TOO_LARGE', expression: 'Bundle.entry' });
    expect(await desk.counts()).toMatchObject({ observations: 0 });
  });

  it.each<[string, object, string, string]>([
    ['version', put('Patient/ada', ADA, 'W/"7"'), 'conflict', 'request.ifMatch'],
    ['reading', put('Observation/none', { ...weight(), id: 'none' }, 'W/"1"'), 'not-supported', 'request.url'],
    ['id of a reading', put('Observation/none', { ...weight(), id: 'other' }, 'W/"1"'), 'value', 'resource.id'],
    ['id of a person', put('Patient/bo', ADA), 'value', 'resource.id'],
    ['condition', create(weight(), {}, { ifNoneExist: 'code=1' }), 'value', 'request.ifNoneExist'],
  ])('says where in its entry the wrong %s stands', async (_what, entry, code, element) => {
    const desk = await openDesk();
    const { body } = await desk.bundle('batch', [create(height()), entry]);
    const expression = `Bundle.entry[1].${element}`;
    expect(responsesOf(body)[1]?.outcome.issue).toMatchObject([{ code, expression: [expression] }]);
    await expect(desk.bundle('transaction', [create(height()), entry])).rejects.toMatchObject({ expression });
  });

  it('without entries is answered with none', async () => {
    const desk = await openDesk();
    const parsed = { resourceType: 'Bundle', type: 'batch' };
    expect(await desk.intake.bundle(parsed, '{}')).toMatchObject({ status: 200, body: { type: 'batch-response' } });
  });

  it('of a batch fails an entry of the wrong shape alone, and says which', async () => {
    const desk = await openDesk();
    const strange = [
      { resource: height() },
      { ...create(weight('71.0')), parcel: true },
      { ...create(weight('72.0')), request: { method: 'post', url: 'Observation' } },
      { resource: { status: 'final' }, request: { method: 'POST', url: 'Observation' } },
    ];
    const { status, body } = await desk.bundle('batch', [create(weight()), ...strange]);
    expect(status).toBe(200);
    expect(statusesOf(body)).toEqual(['201 Created', '422 Unprocessable Entity', '400 Bad Request', '400 Bad Request', '400 Bad Request']);
    expect(responsesOf(body)[1]?.outcome.issue).toMatchObject([{ expression: ['Bundle.entry[1].request'] }]);
    expect(await desk.counts()).toMatchObject({ observations: 1, refusals: 4 });
    expect((await desk.store.read.refusals(10)).map(({ text }) => text)).toContainEqual(expect.stringContaining('"parcel":true'));
  });

  it('of a transaction says what is wrong with each of its entries', async () => {
    const desk = await openDesk();
    const { status, body } = await desk.bundle('transaction', [
      create(weight('700.0')),
      create(height()),
      create(weight('70.05', 'kg', { effectiveDateTime: '2026-03-02T09:00:00Z' })),
    ]);
    expect(status).toBe(422);
    const issues = body['issue'] as unknown as { readonly severity: string; readonly expression: string[] }[];
    expect(issues.filter(({ severity }) => severity === 'error').map(({ expression }) => expression[0])).toEqual([
      'Bundle.entry[0].resource.value.ofType(Quantity).value',
      'Bundle.entry[2].resource.value.ofType(Quantity).value',
    ]);
    expect(await desk.counts()).toMatchObject({ observations: 0, refusals: 1 });
  });

  it('judges heights before weights, so that no weight is told that it has no BMI', async () => {
    const desk = await openDesk();
    const { body } = await desk.bundle('transaction', [create(weight('80.0')), create(height('160.0'))]);
    expect(responsesOf(body).flatMap(rulesOf)).not.toContain('bmi-not-derived');
    expect(await desk.standing()).toMatchObject([{ valueText: '31.3' }]);
  });

  it('of a batch says of each entry that the store could not take it, and keeps the others', async () => {
    const desk = await openDesk();
    let writes = 0;
    let issued = 0;
    const failing: Store = {
      ...desk.store,
      read: desk.store.read,
      outbox: desk.store.outbox,
      write: (work) => ((writes += 1) > 2 ? Promise.reject(new StoreUnavailable('full')) : desk.store.write(work)),
      waitingUnits: () => desk.store.waitingUnits(),
      onCommit: desk.store.onCommit.bind(desk.store),
      isReady: () => desk.store.isReady(),
      close: () => desk.store.close(),
    };
    const intake = createIntake({
      store: failing,
      clock: CLOCK,
      policy: () => DEFAULT_POLICY,
      newId: () => `n${(issued += 1)}`,
      knownBases: [],
      forwards: false,
    });
    const times = ['06', '07', '08'].map((hour) => create(weight('70.0', 'kg', { effectiveDateTime: `2026-03-02T${hour}:00:00Z` })));
    const { tree, text } = arrived({ resourceType: 'Bundle', type: 'batch', entry: times });
    const { status, body } = await intake.bundle(tree, text);
    expect(status).toBe(200);
    expect(statusesOf(body)).toEqual(['201 Created', '201 Created', '503 Service Unavailable']);
    expect((await desk.readings()).length).toBe(2);
  });

  it('that is no FHIR is refused as a whole', async () => {
    const desk = await openDesk();
    expect(await desk.intake.bundle({ resourceType: 'Bundle', type: 'parcel' }, '{}')).toMatchObject({
      status: 400,
      body: { resourceType: 'OperationOutcome' },
    });
  });
});

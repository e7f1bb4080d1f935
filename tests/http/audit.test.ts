/** Every call leaves one event of the right kind, before its answer leaves; and the events can be read and searched. */
import type * as fhir4 from 'fhir/r4.js';
import { createRequire } from 'node:module';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { stringifyExact } from '../../src/core/json.ts';
import { height, weight } from '../measurements.ts';
import { startService, type Service } from '../service.ts';

const { Fhir } = createRequire(import.meta.url)('fhir') as {
  Fhir: new () => {
    validate(resource: unknown, options: { errorOnUnexpected: boolean }): { valid: boolean; messages: { severity: string }[] };
  };
};

let service: Service;
beforeEach(async () => {
  service = await startService({ now: '2026-03-02T10:00:00Z' });
});
afterEach(() => service.close());

const text = (resource: object): string => stringifyExact(resource);
const device = (id: string, more: object = {}) => text({ resourceType: 'Device', id, status: 'active', ...more });
const put = (place: string, body: string, version?: number) =>
  service.call('PUT', `/fhir/${place}`, {
    body,
    headers: { 'Content-Type': 'application/fhir+json', ...(version !== undefined && { 'If-Match': `W/"${version}"` }) },
  });
const get = (place: string, headers: Record<string, string> = {}) => service.call('GET', `/fhir/${place}`, { headers });

/** Every event there is, oldest first, straight from the store. */
async function events(): Promise<fhir4.AuditEvent[]> {
  const { events: stored } = await service.store.audit.search({ count: 1000 });
  return stored.map((event) => JSON.parse(event.text) as fhir4.AuditEvent).reverse();
}

async function since(count: number): Promise<fhir4.AuditEvent[]> {
  return (await events()).slice(count);
}

const kind = ({ subtype, action, outcome }: fhir4.AuditEvent) => [subtype?.map(({ code }) => code).join(' '), action, outcome];
const named = ({ entity = [] }: fhir4.AuditEvent) =>
  entity.flatMap(({ what, role }) => (role === undefined ? [] : (what?.reference ?? what?.identifier?.value ?? []))).sort();
const details = ({ entity = [] }: fhir4.AuditEvent) =>
  Object.fromEntries(entity.flatMap(({ detail = [] }) => detail.map(({ type, valueString }) => [type, valueString])));

/** A height and a weight of ada, whose BMI follows; returns their ids. */
async function ward(): Promise<{ heightId: string; weightId: string; bmiId: string }> {
  await service.post('Observation', text(height()));
  await service.post('Observation', text(weight()));
  const { resources } = await service.store.read.searchObservations({
    includeHeld: true,
    sort: [{ by: '_lastUpdated', descending: false }],
    count: 10,
  });
  const [heightId = '', weightId = '', bmiId = ''] = resources.map(({ id }) => id);
  return { heightId, weightId, bmiId };
}

describe('a call that changes something', () => {
  test('names what was stored, what followed from it, and whose it is', async () => {
    const { heightId, weightId, bmiId } = await ward();
    const [first, second] = await events();
    expect([first, second].map((event) => event && kind(event))).toEqual([
      ['create', 'C', '0'],
      ['create', 'C', '0'],
    ]);
    expect(first && named(first)).toEqual([`Observation/${heightId}/_history/1`, 'Patient/ada']);
    const written = second ? named(second) : [];
    expect(written).toContain(`Observation/${weightId}/_history/1`);
    expect(written).toContain(`Observation/${bmiId}/_history/1`);
    expect(written.filter((one) => one.startsWith('Patient/'))).toEqual(['Patient/ada']);
    expect(second && details(second)).toMatchObject({ verdict: 'accepted', policy: expect.stringMatching(/^built-in/) as string });
  });

  test('carries the request id, and neither value nor name', async () => {
    const sent = text({ ...weight('81.3'), subject: { reference: 'Patient/ada', display: 'MARKEDNAME' } });
    await service.post('Observation', sent, { 'X-Request-Id': 'gateway-77' });
    const [event] = await events();
    expect(event?.entity?.[0]).toMatchObject({ type: { code: 'XrequestId' }, what: { identifier: { value: 'gateway-77' } } });
    expect(JSON.stringify(event)).not.toMatch(/MARKEDNAME|81\.3/);
  });

  test('that is a resend names what is there', async () => {
    const { weightId } = await ward();
    await service.post('Observation', text(weight()));
    const [event] = await since(2);
    expect(event && [kind(event), named(event)]).toEqual([
      ['create', 'C', '0'],
      [`Observation/${weightId}/_history/1`, 'Patient/ada'],
    ]);
  });

  test('that is refused names the refusal, the rules and the person', async () => {
    expect((await service.post('Observation', text(weight('70.03')))).status).toBe(422);
    const [refusal] = await service.store.read.refusals(1);
    const [event] = await events();
    expect(event && [kind(event), named(event)]).toEqual([['create refused', 'C', '4'], ['Patient/ada', refusal?.id].sort()]);
    expect(event && details(event)).toMatchObject({ verdict: 'refused', rule: expect.stringMatching(/precision/) as string });
  });

  test('corrects, registers, decides, claims and recalls, each in one event', async () => {
    const { weightId } = await ward();
    await put('Device/s1', device('s1'));
    await put(`Observation/${weightId}`, text({ ...weight('71.0'), id: weightId }), 1);
    await service.post('Observation', text(weight('7.1', 'kg', { effectiveDateTime: '2026-03-02T09:00:00Z' })));
    const [held] = (await service.store.read.searchObservations({ statuses: ['preliminary'], includeHeld: true, sort: [], count: 1 }))
      .resources;
    const decision = { name: 'decision', valueCode: 'discard' };
    const who = { name: 'who', valueReference: { reference: 'Practitioner/nurse-invented' } };
    const reason = { name: 'reason', valueString: 'Typed wrongly' };
    const decided = await service.post(
      `Observation/${held?.id ?? ''}/$decide`,
      text({ resourceType: 'Parameters', parameter: [decision, who, reason] }),
    );
    expect(decided.status).toBe(200);
    const order = [{ name: 'since', valueDateTime: '2026-01-01' }, { name: 'action', valueCode: 'flag' }, reason, who];
    const recalled = await service.post('Device/s1/$recall', text({ resourceType: 'Parameters', parameter: order }));
    const told = await since(2);
    expect(told.map(kind)).toEqual([
      ['update', 'U', '0'],
      ['update', 'U', '0'],
      ['create', 'C', '0'],
      ['operation decide', 'E', '0'],
      ...(recalled.status === 200 ? [['operation recall', 'E', '0']] : [['operation recall', 'E', '4']]),
    ]);
    expect(told[0] && named(told[0])).toContain('Device/s1');
    expect(told[3] && details(told[3])).toMatchObject({ decision: 'discard' });
    expect(JSON.stringify(told)).not.toContain('Typed wrongly');
  });

  test('that is a transaction is one event; a batch is one, and one for each entry in its own unit of work', async () => {
    const entry = (resource: object) => ({ resource, request: { method: 'POST', url: 'Observation' } });
    const bundle = (type: string, ...resources: object[]) => text({ resourceType: 'Bundle', type, entry: resources.map(entry) });
    await service.post('', bundle('transaction', height(), weight()));
    await service.post('', bundle('transaction', weight('70.03')));
    await service.post('', bundle('batch', weight('72.0', 'kg', { effectiveDateTime: '2026-03-02T09:30:00Z' }), weight('70.03')));
    await service.post('', bundle('collection', weight()));
    const told = await events();
    expect(told.map(kind)).toEqual([
      ['transaction', 'E', '0'],
      ['transaction refused', 'E', '4'],
      ['create', 'C', '0'],
      ['create refused', 'C', '4'],
      ['batch', 'E', '0'],
      ['batch refused', 'E', '4'],
    ]);
    expect(told[0] && named(told[0]).filter((one) => one.startsWith('Observation/')).length).toBeGreaterThanOrEqual(3);
    for (const event of told.slice(0, 5)) expect(named(event)).toContain('Patient/ada');
  });

  test('that ends in an error is one event that says so', async () => {
    const { weightId } = await ward();
    await put(`Observation/${weightId}`, text({ ...weight('71.0'), id: weightId }), 9);
    await service.post('Observation', '{"resourceType":');
    await service.post('Observation', text(weight()), { 'Content-Type': 'text/plain' });
    const told = await since(2);
    expect(told.map((event) => [...kind(event), event.outcomeDesc])).toEqual([
      ['update', 'U', '4', 'HTTP 412'],
      ['create', 'C', '4', 'HTTP 400'],
      ['create', 'C', '4', 'HTTP 415'],
    ]);
    expect(told[0] && named(told[0])).toEqual([`Observation/${weightId}`]);
  });
});

describe('a call that reads', () => {
  test.each([
    ['Observation/WEIGHT', ['read', 'R', '0']],
    ['Observation/WEIGHT/_history/1', ['vread', 'R', '0']],
    ['Observation/WEIGHT/_history', ['history-instance', 'R', '0']],
    ['Observation?code=29463-7', ['search-type', 'E', '0']],
    ['Provenance/prov-WEIGHT-1', ['read', 'R', '0']],
    ['Provenance?target=WEIGHT', ['search-type', 'E', '0']],
  ])('GET %s is one event that names the person', async (path, expected) => {
    const { weightId } = await ward();
    expect((await get(path.replace('WEIGHT', weightId))).status).toBe(200);
    const told = await since(2);
    expect(told.map(kind)).toEqual([expected]);
    expect(told[0] && named(told[0])).toContain('Patient/ada');
    expect(told[0] && named(told[0]).join(' ')).toContain(weightId);
  });

  test('and finds it as the caller has it already is read all the same', async () => {
    const { weightId } = await ward();
    expect((await get(`Observation/${weightId}`, { 'If-None-Match': 'W/"1"' })).status).toBe(304);
    const [event] = await since(2);
    expect(event && [kind(event), named(event)]).toEqual([['read', 'R', '0'], [`Observation/${weightId}`]]);
  });

  test('keeps what was searched for, and whom the search named although nothing was found', async () => {
    await get('Observation?patient=Patient/nobody,another&date=ge2026&_count=3');
    await service.call('POST', '/fhir/Observation/_search', {
      body: 'patient=nobody',
      headers: { 'Content-Type': 'application/x-www-form-urlencoded' },
    });
    await get('Patient?_id=nobody');
    await get('Observation?nonsense=1');
    const told = await events();
    const queries = told.map(({ entity = [] }) => Buffer.from(entity.find(({ query }) => query)?.query ?? '', 'base64').toString());
    expect(queries).toEqual([
      'Observation?patient=Patient/nobody,another&date=ge2026&_count=3',
      'Observation?patient=nobody',
      'Patient?_id=nobody',
      'Observation?nonsense=1',
    ]);
    expect(told.slice(0, 3).map(named)).toEqual([['Patient/another', 'Patient/nobody'], ['Patient/nobody'], ['Patient/nobody']]);
    expect(told.map(({ outcome }) => outcome)).toEqual(['0', '0', '0', '4']);
  });

  test('lists a scale: the scale, its readings and their people', async () => {
    await put('Device/s1', device('s1'));
    await service.post('Observation', text(weight('70.0', 'kg', { device: { reference: 'Device/s1' } })));
    await get('Device/s1/$affected?since=2026-01-01');
    const [event] = await since(2);
    expect(event && kind(event)).toEqual(['operation affected', 'E', '0']);
    expect(event && named(event)).toEqual(expect.arrayContaining(['Device/s1', 'Patient/ada']));
  });

  test('judges without storing: the person, the verdict, and no id that nothing has', async () => {
    await service.post('Observation/$assess', text(weight('7.1')));
    await service.post('Observation/$validate', text(weight('70.03')));
    const told = await events();
    expect(told.map(kind)).toEqual([
      ['operation assess', 'E', '0'],
      ['operation validate', 'E', '0'],
    ]);
    expect(told.map(named)).toEqual([['Patient/ada'], ['Patient/ada']]);
    expect(told[1] && details(told[1])).toMatchObject({ verdict: 'dry-run-refused' });
  });

  test('and finds nothing there is an event too: somebody looked', async () => {
    await get('Patient/secret');
    const [event] = await events();
    expect(event && [...kind(event), ...named(event)]).toEqual(['read', 'R', '4', 'Patient/secret']);
  });

  test('reveals nothing of anybody: no event', async () => {
    for (const path of ['/fhir/metadata', '/fhir/StructureDefinition', '/rules', '/health/ready', '/metrics', '/fhir/Encounter'])
      await service.call('GET', path);
    await service.call('DELETE', '/fhir/Observation/x');
    expect(await events()).toEqual([]);
  });
});

describe('the audit over HTTP', () => {
  test('is read and searched, and that is an event each', async () => {
    const { weightId } = await ward();
    await get(`Observation/${weightId}`);
    const found = async (query: string): Promise<string[]> => {
      const answer = JSON.parse((await get(`AuditEvent?${query}`)).text) as fhir4.Bundle;
      return (answer.entry ?? []).map(({ resource }) => resource?.id ?? '');
    };
    expect(await found('patient=ada')).toEqual(['3', '2', '1']);
    expect(await found('patient=Patient/ada&subtype=read')).toEqual(['3']);
    expect(await found(`entity=Observation/${weightId}`)).toEqual(['3', '2']);
    expect(await found('action=C&outcome=0')).toEqual(['2', '1']);
    expect(await found('_id=2,17')).toEqual(['2']);
    expect(await found('date=2026-03-02&date=lt2026-03-03&action=R')).toEqual(['3']);
    expect(await found('agent=somebody')).toEqual([]);
    const read = await get('AuditEvent/3');
    expect([read.status, (JSON.parse(read.text) as fhir4.AuditEvent).id]).toEqual([200, '3']);
    const told = await since(3);
    expect(told).toHaveLength(8);
    expect(told.map((event) => kind(event)[0])).toEqual([...Array<string>(7).fill('search-type'), 'read']);
    expect(told.at(-1) && named(told.at(-1)!)).toEqual(['AuditEvent/3']);
    expect((await service.store.audit.verify()).bad).toBeUndefined();
  });

  test.each([
    ['nonsense=1', 'not-supported'],
    ['agent:missing=true', 'not-supported'],
    ['patient=a&patient:identifier=x|y', 'not-supported'],
    ['entity=Observation', 'value'],
    ['date=yesterday', 'value'],
    ['_cursor=x', 'value'],
  ])('refuses %s', async (query, issue) => {
    const { status, text: answer } = await get(`AuditEvent?${query}`);
    expect([status, (JSON.parse(answer) as fhir4.OperationOutcome).issue[0]?.code]).toEqual([400, issue]);
  });

  test('is paged by links that neither skip nor repeat, although each page is an event', async () => {
    for (let at = 0; at < 5; at += 1) await get(`Patient/p${at}`);
    const seen: string[] = [];
    let next: string | undefined = `${service.base}/AuditEvent?_count=2`;
    while (next !== undefined) {
      const page = JSON.parse((await service.call('GET', new URL(next).pathname + new URL(next).search)).text) as fhir4.Bundle;
      seen.push(...(page.entry ?? []).map(({ resource }) => resource?.id ?? ''));
      next = page.link?.find(({ relation }) => relation === 'next')?.url;
    }
    expect(seen).toEqual(['5', '4', '3', '2', '1']);
  });
});

describe('a mixed run', () => {
  test('leaves as many events as there were calls, R4 by an independent validator, in a whole chain', async () => {
    const { weightId } = await ward();
    let calls = 2;
    const paths = [
      `Observation/${weightId}`,
      'Observation?patient=ada',
      'Patient/ada',
      'Device?_count=1',
      'AuditEvent?_count=5',
      'Observation?bad=1',
    ];
    await Promise.all(
      Array.from({ length: 60 }, async (_, at) => {
        calls += 1;
        if (at % 3 === 0)
          await service.post('Observation', text(weight(`7${at % 10}.0`, 'kg', { subject: { reference: `Patient/p${at}` } })));
        else await get(paths[at % paths.length] ?? '');
      }),
    );
    const told = await events();
    expect(told).toHaveLength(calls);
    expect(await service.store.audit.verify()).toMatchObject({ verified: calls });
    expect((await service.store.audit.verify()).bad).toBeUndefined();
    const secondOpinion = new Fhir();
    for (const event of told) {
      const { valid, messages } = secondOpinion.validate(event, { errorOnUnexpected: true });
      expect([event.id, valid, messages.filter(({ severity }) => severity === 'error')]).toEqual([event.id, true, []]);
    }
  });
});

/**
 * Every answer that an EHR can give, row by row, over a real socket: what becomes of the item, whether
 * it is looked up, whether others may go on, and that one copy is left in the end.
 */
import { createServer, type Server as HttpServer } from 'node:http';
import { createServer as createTcpServer, type AddressInfo, type Server } from 'node:net';
import { afterEach, describe, expect, it } from 'vitest';
import type { Fault, SpoiltAnswer } from '../../examples/receiver/faults.ts';
import { OURS } from '../../src/core/terminology.ts';
import { copiesOf, observationText, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weight: InventedReading = { of: 'weight', id: 'w-1', digits: '70.0' };
const HOUR_MS = 3_600_000;

let ward: Ward;
const servers: (Server | HttpServer)[] = [];
afterEach(async () => {
  await ward.close();
  for (const server of servers.splice(0)) await new Promise((resolve) => server.close(resolve));
});

interface Row {
  readonly came: string;
  readonly fault: Fault;
  readonly becomes: 'unclear' | 'transient' | 'conflict' | 'destination' | 'parked' | 'sent';
  readonly isAlert?: true;
  readonly opens?: true;
}

const applied = (then: SpoiltAnswer): Fault => ({ do: 'apply-then', then });
const lost = (status: number, headers: Record<string, string> = {}, body = ''): Fault => ({ do: 'answer', status, headers, body });
const outcome = (code: string, expression?: string): string =>
  JSON.stringify({
    resourceType: 'OperationOutcome',
    issue: [{ severity: 'error', code, ...(expression && { expression: [expression] }) }],
  });

const ROWS: readonly Row[] = [
  { came: '200 with matching entries', fault: { do: 'nothing' }, becomes: 'sent' },
  { came: 'a slow answer within the time', fault: { do: 'delay', ms: 100 }, becomes: 'sent' },

  { came: 'no answer in time, applied', fault: applied({ spoil: 'hang' }), becomes: 'unclear' },
  { came: 'a reset before it was applied', fault: { do: 'reset' }, becomes: 'unclear' },
  { came: 'a reset after it was applied', fault: applied({ spoil: 'reset' }), becomes: 'unclear' },
  { came: 'half of a body', fault: applied({ spoil: 'truncate' }), becomes: 'unclear' },
  { came: 'a body a byte at a time beyond the timeout', fault: applied({ spoil: 'drip', msPerByte: 20 }), becomes: 'unclear' },
  { came: 'a Content-Length too long', fault: applied({ spoil: 'wrong-length', by: 50 }), becomes: 'unclear' },
  { came: 'a Content-Length too short', fault: applied({ spoil: 'wrong-length', by: -50 }), becomes: 'unclear' },
  { came: 'a page with 200', fault: applied({ spoil: 'replace', status: 200, body: '<html>Sign in</html>' }), becomes: 'unclear' },
  { came: 'an empty 200', fault: applied({ spoil: 'replace', status: 200 }), becomes: 'unclear' },
  { came: 'an empty 201', fault: applied({ spoil: 'replace', status: 201 }), becomes: 'unclear' },
  { came: 'a 204', fault: applied({ spoil: 'replace', status: 204 }), becomes: 'unclear' },
  { came: 'a 202', fault: applied({ spoil: 'replace', status: 202, body: outcome('informational') }), becomes: 'unclear' },

  ...[500, 502, 504, 507, 599].map((status) => ({
    came: `${status}, applied`,
    fault: applied({ spoil: 'replace', status }),
    becomes: 'unclear' as const,
  })),
  { came: '500, not applied', fault: lost(500), becomes: 'unclear' },

  ...[408, 425].map((status) => ({ came: String(status), fault: lost(status), becomes: 'transient' as const })),
  ...[429, 503].map((status) => ({ came: String(status), fault: lost(status), becomes: 'transient' as const, opens: true as const })),
  { came: '408, applied', fault: applied({ spoil: 'replace', status: 408 }), becomes: 'transient' },

  ...[409, 412].map((status) => ({ came: String(status), fault: lost(status, {}, outcome('conflict')), becomes: 'conflict' as const })),
  { came: '412, applied', fault: applied({ spoil: 'replace', status: 412 }), becomes: 'conflict' },

  ...[401, 403, 404, 405, 501].map((status) => ({
    came: String(status),
    fault: lost(status),
    becomes: 'destination' as const,
    isAlert: true as const,
    opens: true as const,
  })),
  ...[301, 302, 303, 307, 308].map((status) => ({
    came: String(status),
    fault: lost(status, { location: 'http://127.0.0.1:9/fhir' }),
    becomes: 'destination' as const,
    isAlert: true as const,
    opens: true as const,
  })),

  ...[400, 413, 415, 422].map((status) => ({
    came: String(status),
    fault: lost(status, {}, outcome('invalid')),
    becomes: 'parked' as const,
  })),
  { came: '404 about the subject', fault: lost(404, {}, outcome('not-found', 'Bundle.entry[0].resource.subject')), becomes: 'parked' },

  { came: 'entries in another order', fault: applied({ spoil: 'reverse-entries' }), becomes: 'unclear' },
  { came: 'an entry less', fault: applied({ spoil: 'drop-entry' }), becomes: 'unclear' },
  { came: 'an entry more', fault: applied({ spoil: 'extra-entry' }), becomes: 'unclear' },
  { came: 'entries whose status is a number', fault: applied({ spoil: 'numeric-statuses' }), becomes: 'unclear' },
];

const asEvent = ({ becomes }: Row): string => (becomes === 'sent' || becomes === 'parked' ? `${becomes} 1` : `postponed 1 ${becomes}`);

describe.each(ROWS)('$came', (row) => {
  it(`is ${row.becomes}; it is looked up before it is sent again, and one copy is left`, async () => {
    ward = await openWard({ faults: [row.fault] });
    await take(ward.store, [weight]);
    const worker = ward.forward({ timeoutMs: 500 });
    await ward.untilEvents(1);
    expect(ward.events).toEqual([asEvent(row)]);
    expect(ward.logged.some(({ level }) => level === 'error')).toBe(row.isAlert === true);
    expect(ward.notices).toEqual(row.opens ? ['breaker open'] : []);
    expect(await ward.store.outbox.counts()).toMatchObject({ parked: row.becomes === 'parked' ? 1 : 0 });
    if (row.becomes === 'sent') return;

    if (row.becomes === 'parked') await ward.store.outbox.retry(1, ward.clock.nowMs());
    const before = ward.receiver.requests().length;
    ward.clock.advance(HOUR_MS);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 1');
    expect(ward.receiver.requests()[before]?.method).toBe('GET');
    expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
    expect(ward.receiver.resources()).toHaveLength(2);
    expect(await ward.store.outbox.copyOf('Observation', 'w-1')).toMatchObject({ version: 1 });
  });
});

describe('no way to the EHR', () => {
  const listen = async (server: Server): Promise<number> => {
    servers.push(server);
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    return (server.address() as AddressInfo).port;
  };

  it.each<readonly [string, () => Promise<string>, RegExp]>([
    ['a name that nobody has', () => Promise.resolve('http://nobody.invalid/fhir'), /ENOTFOUND|EAI_AGAIN/],
    [
      'nothing that listens',
      async () => {
        const port = await listen(createTcpServer());
        await new Promise((resolve) => servers.pop()?.close(resolve));
        return `http://127.0.0.1:${port}/fhir`;
      },
      /ECONNREFUSED/,
    ],
  ])('%s: nothing was sent, all waits', async (_what, url, cause) => {
    ward = await openWard();
    await take(ward.store, [weight]);
    ward.forward({ url: await url() });
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['postponed 1 unsent']);
    expect((await ward.item(1)).reason).toMatch(cause);
    expect(ward.notices).toEqual(['breaker open']);
  });

  it('something that speaks no TLS: nothing was applied, nothing is parked', async () => {
    ward = await openWard();
    const server = createServer((_request, response) => response.end());
    const port = await listen(server);
    await take(ward.store, [weight]);
    ward.forward({ url: `https://127.0.0.1:${port}/fhir` });
    await ward.untilEvents(1);
    expect(ward.events[0]).toMatch(/^postponed 1 (unsent|unclear)$/);
    expect(ward.receiver.requests()).toEqual([]);
  });
});

describe('2xx with a resource that says something else', () => {
  const answering = (alter: (text: string) => string): Fault => {
    const entry = [
      { response: { status: '201 Created', location: 'Observation/5/_history/1' }, resource: 'RESOURCE' },
      { response: { status: '201 Created', location: 'Provenance/6/_history/1' } },
    ];
    const resource = `{"resourceType":"Observation","id":"5","identifier":[{"system":"https://steelyard.example/fhir/identifier/observation","value":"w-1"}],"status":"final","subject":{"reference":"Patient/lantern-1"},"effectiveDateTime":"2026-03-02T11:30:00+01:00","valueQuantity":{"value":70.0,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}`;
    const body = JSON.stringify({ resourceType: 'Bundle', type: 'transaction-response', entry }).replace('"RESOURCE"', alter(resource));
    return { do: 'answer', status: 200, body };
  };

  const withFormerFirst = (text: string): string =>
    text.replace('"identifier":[', `"identifier":[{"use":"old","system":"${OURS.observationIdentifier}","value":"w-0"},`);

  it.each([
    ['the same', (text: string) => text, undefined],
    ['a former identifier of ours before that of today', withFormerFirst, undefined],
    ['fewer digits of the same value', (text: string) => text.replace('70.0', '70'), undefined],
    ['another value', (text: string) => text.replace('70.0', '71'), 'value'],
    ['another unit', (text: string) => text.replace('"code":"kg"', '"code":"g"'), 'unit'],
    ['another person', (text: string) => text.replace('lantern-1', 'lantern-2'), 'subject'],
    ['another time', (text: string) => text.replace('11:30', '11:03'), 'effective'],
    ['another status', (text: string) => text.replace('final', 'preliminary'), 'status'],
    ['no identifier of ours', (text: string) => text.replace(/"identifier":\[.*?\],/, ''), 'identifier'],
  ])('(%s) is sent, and an alert where it differs', async (_what, alter, element) => {
    ward = await openWard({ faults: [answering(alter)] });
    await take(ward.store, [weight]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.notices).toEqual(element === undefined ? [] : [`altered 1 ${element}`]);
    expect(await ward.item(1)).toMatchObject({ state: 'sent' });
    expect((await ward.item(1)).reason).toBe(element && `the EHR keeps it otherwise than it was sent: ${element}`);
    expect(ward.logged.filter(({ level }) => level === 'error')).toEqual(
      element === undefined
        ? []
        : [{ level: 'error', fields: { item: 1, tries: 1, elements: [element] }, message: 'the EHR keeps something else than was sent' }],
    );
  });

  it('found by a look-up is an alert too, and not overwritten', async () => {
    ward = await openWard({ faults: [{ do: 'answer', status: 500 }] });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    const headers = { 'content-type': 'application/fhir+json' };
    const body = observationText(weight).replace('"value":70.0', '"value":71');
    expect((await fetch(`${ward.receiver.url}/Observation`, { method: 'POST', headers, body })).status).toBe(201);
    ward.clock.advance(HOUR_MS);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 1');
    expect(ward.notices).toEqual(['altered 1 value']);
    expect(copiesOf(ward.receiver, 'w-1')).toEqual([expect.stringContaining('"value":71')]);
  });
});

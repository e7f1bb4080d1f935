/** What the service asks the EHR about people, over a real socket, with the real use case behind it. */
import { createServer, type Server } from 'node:http';
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import { afterEach, describe, expect, test } from 'vitest';
import { DemographicsReader, type DemographicsResult } from '../../src/forward/demographics.ts';
import { EhrClient } from '../../src/forward/ehr-client.ts';
import { NOW, height, weight } from '../measurements.ts';
import { openDesk, type Desk } from '../ingest/desk.ts';
import { parsed } from '../arrived.ts';

const HOUR = 3_600_000;

interface Asked {
  readonly method: string | undefined;
  readonly url: string | undefined;
  readonly form: string;
}

interface Ward {
  readonly desk: Desk;
  readonly asked: readonly Asked[];
  readonly results: readonly DemographicsResult[];
  readonly reader: DemographicsReader;
  nowMs: number;
  /** Status and body of the next answers. */
  answer: { status: number; body: string };
}

const closers: (() => Promise<unknown>)[] = [];
afterEach(async () => {
  for (const close of closers.splice(0).reverse()) await close();
});

const searchset = (...patients: object[]): string =>
  JSON.stringify({
    resourceType: 'Bundle',
    type: 'searchset',
    entry: patients.map((resource) => ({ resource, search: { mode: 'match' } })),
  });
const ADA = { resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17', gender: 'female', name: [{ family: 'Testperson' }] };

async function openWard(): Promise<Ward> {
  const asked: Asked[] = [];
  const results: DemographicsResult[] = [];
  const server: Server = createServer((request, response) => {
    const chunks: Buffer[] = [];
    request.on('data', (chunk: Buffer) => chunks.push(chunk));
    request.on('end', () => {
      asked.push({ method: request.method, url: request.url, form: Buffer.concat(chunks).toString() });
      response.writeHead(ward.answer.status, { 'content-type': 'application/fhir+json' }).end(ward.answer.body);
    });
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const ehr = new EhrClient({ baseUrl: `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`, timeoutMs: 2_000 });
  const desk = await openDesk({ onPerson: (key) => ward.reader.noticed(key) });
  const reader = new DemographicsReader({
    ehr,
    read: desk.store.read,
    register: async (patient, id, replaces) => (await desk.intake.putRegistry('Patient', id, patient, replaces ?? 'none')).status < 400,
    clock: { nowMs: () => ward.nowMs },
    random: () => 0.5,
    told: (result) => results.push(result),
  });
  const ward: Ward = { desk, asked, results, reader, nowMs: Date.parse(NOW), answer: { status: 200, body: searchset(ADA) } };
  closers.push(
    () => ehr.close(),
    () => reader.stop(),
    () => new Promise((resolve) => server.close(resolve)),
  );
  return ward;
}

const patientIn = async ({ desk }: Ward, id = 'ada') => {
  const stored = await desk.store.read.current('Patient', id);
  return stored && parsed(stored.text);
};

describe('a person of whom nobody told', () => {
  test('is asked for by POST, registered with birth date and sex alone, and judged anew', async () => {
    const ward = await openWard();
    await ward.desk.post(height('170.0'));
    await ward.reader.settled();
    expect(ward.asked).toEqual([{ method: 'POST', url: '/fhir/Patient/_search', form: '_id=ada&_count=2' }]);
    expect(await patientIn(ward)).toMatchObject({ birthDate: '1980-05-17', gender: 'female' });
    expect(JSON.stringify(await patientIn(ward))).not.toContain('Testperson');
    expect(ward.results).toEqual(['registered']);
  });

  test('who was measured as a child loses the BMI that no adult rule allows, once the birth date is known', async () => {
    const ward = await openWard();
    ward.answer = { status: 503, body: '' };
    await ward.desk.post(height('80.0'));
    await ward.desk.post(weight('11.0'));
    await ward.reader.settled();
    const before = (await ward.desk.standing()).length;
    ward.answer = { status: 200, body: searchset({ ...ADA, birthDate: '2024-12-01' }) };
    ward.nowMs += HOUR;
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    expect(await patientIn(ward)).toMatchObject({ birthDate: '2024-12-01' });
    expect([before, (await ward.desk.standing()).length]).toEqual([1, 0]);
  });

  test('is found by identifier, and takes the readings over that were sent under it', async () => {
    const ward = await openWard();
    await ward.desk.post(weight('70.0', 'kg', { subject: { identifier: { system: 'urn:ward:mrn', value: 'a,1' } } }));
    await ward.reader.settled();
    expect(ward.asked.map(({ form }) => new URLSearchParams(form).get('identifier'))).toEqual(['urn:ward:mrn|a\\,1']);
    expect(await ward.desk.readings('Patient/ada')).toHaveLength(1);
  });

  test.each<[DemographicsResult, number, string]>([
    ['not-found', 200, searchset()],
    ['several', 200, searchset(ADA, { ...ADA, id: 'ada-2' })],
    ['unusable', 200, searchset({ ...ADA, id: 'somebody-else' })],
    ['unusable', 200, searchset({ ...ADA, active: false })],
    ['unusable', 200, searchset({ resourceType: 'Patient', id: 'ada' })],
    ['unusable', 200, searchset({ ...ADA, birthDate: '17 May 1980' })],
    ['unusable', 200, searchset({ ...ADA, birthDate: '2090-01-01' })],
    ['unanswered', 500, ''],
    ['unanswered', 302, ''],
    ['unanswered', 200, '<html>'],
  ])('stays unknown: %s (%i)', async (result, status, body) => {
    const ward = await openWard();
    ward.answer = { status, body };
    await ward.desk.post(weight('70.0'));
    await ward.reader.settled();
    expect(ward.results).toEqual([result]);
    expect(await patientIn(ward)).toBeUndefined();
  });
});

describe('the EHR is spared', () => {
  test('a person is asked for once an hour at most, whatever comes in', async () => {
    const ward = await openWard();
    ward.answer = { status: 200, body: searchset() };
    for (const value of ['70.0', '70.1', '70.2']) {
      await ward.desk.post(weight(value, 'kg', { effectiveDateTime: `2026-03-02T0${value.at(-1)}:00:00Z` }));
      await ward.reader.settled();
    }
    expect(ward.asked).toHaveLength(1);
    ward.nowMs += HOUR;
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    expect(ward.asked).toHaveLength(2);
  });

  test('while it does not answer there is a pause, and a later reading asks again', async () => {
    const ward = await openWard();
    ward.answer = { status: 503, body: '' };
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    ward.answer = { status: 200, body: searchset(ADA) };
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    expect(ward.asked).toHaveLength(1);
    ward.nowMs += HOUR;
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    expect(ward.results).toEqual(['unanswered', 'registered']);
  });

  test('questions beyond the bound are dropped, not kept', async () => {
    const ward = await openWard();
    ward.answer = { status: 503, body: '' };
    ward.reader.noticed('Patient/first');
    await ward.reader.settled();
    for (let index = 0; index < 1_001; index++) ward.reader.noticed(`Patient/p${index}`);
    expect(ward.results.filter((result) => result === 'dropped')).toHaveLength(1);
  });
});

describe('what somebody registered here', () => {
  test('is never replaced by what the EHR says', async () => {
    const ward = await openWard();
    await ward.desk.put('Patient', { resourceType: 'Patient', id: 'ada', birthDate: '1990-01-01' } as { id: string });
    await ward.desk.post(weight('70.0'));
    await ward.reader.settled();
    ward.nowMs += 48 * HOUR;
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    expect(ward.asked).toEqual([]);
    expect(await patientIn(ward)).toMatchObject({ birthDate: '1990-01-01' });
  });

  test('what the EHR said is asked again after a day, and replaced when it says otherwise', async () => {
    const ward = await openWard();
    await ward.desk.post(weight('70.0'));
    await ward.reader.settled();
    ward.nowMs += 25 * HOUR;
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    ward.nowMs += 25 * HOUR;
    ward.answer = { status: 200, body: searchset({ ...ADA, birthDate: '1981-05-17' }) };
    ward.reader.noticed('Patient/ada');
    await ward.reader.settled();
    expect(ward.results).toEqual(['registered', 'unchanged', 'registered']);
    expect(await patientIn(ward)).toMatchObject({ birthDate: '1981-05-17' });
  });
});

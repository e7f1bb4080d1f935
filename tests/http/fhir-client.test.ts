/**
 * The running service as a FHIR client library from the registry sees it. The library reads answers
 * with JSON.parse, so the digits are looked at in the raw text beside it.
 */
import { afterEach, beforeEach, expect, test } from 'vitest';
import type * as fhir4 from 'fhir/r4.js';
import { Client } from 'fhir-kit-client';
import { loadConfig } from '../../src/config.ts';
import { createLog } from '../../src/log.ts';
import { start, type Running } from '../../src/main.ts';
import { CLOCK, send } from './edge.ts';

let running: Running;
let client: Client;
beforeEach(async () => {
  const config = loadConfig({ STEELYARD_PORT: '0', STEELYARD_DATABASE: ':memory:' });
  running = await start(config, { clock: CLOCK, log: createLog('silent') });
  client = new Client({ baseUrl: `${running.url}/fhir` });
});
afterEach(() => running.stop());

const raw = (path: string) => send(Number(new URL(running.url).port), 'GET', path);

function reading(code: '29463-7' | '8302-2', value: number, unit: 'kg' | 'cm', time: string, identifier: string): fhir4.Observation {
  return {
    resourceType: 'Observation',
    identifier: [{ system: 'urn:example:harbourlight:reading', value: identifier }],
    status: 'final',
    category: [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'vital-signs' }] }],
    code: { coding: [{ system: 'http://loinc.org', code }] },
    subject: { reference: 'Patient/juniper-quayle' },
    effectiveDateTime: time,
    valueQuantity: { value, unit, system: 'http://unitsofmeasure.org', code: unit },
  };
}

/** The library's own type for resources is looser than R4's and knows none of them. */
type Loose = Awaited<ReturnType<Client['read']>>;
const loose = (resource: fhir4.FhirResource): Loose => resource as unknown as Loose;
const strict = async <Resource extends fhir4.FhirResource | undefined>(answer: Promise<unknown> | undefined): Promise<Resource> =>
  (await answer) as Resource;

const asObservations = (bundle: fhir4.Bundle) => (bundle.entry ?? []).map(({ resource }) => resource as fhir4.Observation);

test('creates, reads, searches and pages', async () => {
  const height = await strict<fhir4.Observation>(
    client.create({
      resourceType: 'Observation',
      body: loose(reading('8302-2', 160.5, 'cm', '2026-11-24T08:00:00Z', 'h')),
    }),
  );
  for (const day of [20, 21, 22, 23, 24]) {
    await client.create({
      resourceType: 'Observation',
      body: loose(reading('29463-7', 79.5 + day / 10, 'kg', `2026-11-${day}T09:00:00Z`, `w${day}`)),
    });
  }
  const read = await strict<fhir4.Observation>(client.read({ resourceType: 'Observation', id: height.id ?? '' }));
  expect(read).toEqual(height);
  expect(read.valueQuantity?.value).toBe(160.5);

  const values: (number | undefined)[] = [];
  let page = await strict<fhir4.Bundle | undefined>(
    client.search({
      resourceType: 'Observation',
      searchParams: { patient: 'juniper-quayle', code: 'http://loinc.org|29463-7', _sort: '-date', _count: 2 },
    }),
  );
  while (page !== undefined) {
    values.push(...asObservations(page).map(({ valueQuantity }) => valueQuantity?.value));
    page = await strict<fhir4.Bundle | undefined>(client.nextPage({ bundle: loose(page) as Parameters<Client['nextPage']>[0]['bundle'] }));
  }
  expect(values).toEqual([81.9, 81.8, 81.7, 81.6, 81.5]);
});

test('posts a transaction, and the BMI that follows comes with its inputs', async () => {
  const entry = (resource: fhir4.Observation): fhir4.BundleEntry => ({ resource, request: { method: 'POST', url: 'Observation' } });
  const answer = await strict<fhir4.Bundle>(
    client.transaction({
      body: loose({
        resourceType: 'Bundle',
        type: 'transaction',
        entry: [
          entry(reading('8302-2', 160.5, 'cm', '2026-11-24T08:00:00Z', 'h')),
          entry(reading('29463-7', 80.5, 'kg', '2026-11-24T09:00:00Z', 'w')),
        ],
      }),
    }),
  );
  expect([answer.type, ...(answer.entry ?? []).map(({ response }) => response?.status.slice(0, 3))]).toEqual([
    'transaction-response',
    '201',
    '201',
  ]);
  const found = await strict<fhir4.Bundle>(
    client.search({
      resourceType: 'Observation',
      searchParams: { code: '39156-5', _include: 'Observation:derived-from' },
    }),
  );
  expect((found.entry ?? []).map(({ search }) => search?.mode).sort()).toEqual(['include', 'include', 'match']);
  // 80.5 kg / (1.605 m)² = 31.249…
  expect(asObservations(found).map(({ valueQuantity }) => valueQuantity?.value)).toContain(31.2);
});

test('written digits are in the raw text of every answer', async () => {
  const port = Number(new URL(running.url).port);
  const body = JSON.stringify(reading('29463-7', 70, 'kg', '2026-11-24T09:00:00Z', 'w')).replace('"value":70,', '"value":70.50,');
  const created = await send(port, 'POST', '/fhir/Observation', { body, headers: { 'Content-Type': 'application/fhir+json' } });
  expect([created.status, created.text.includes('"value":70.50,')], created.text).toEqual([201, true]);
  const { pathname } = new URL(created.headers.location ?? '');
  for (const path of [pathname, pathname.replace(/\/_history\/1$/, ''), pathname.replace(/\/1$/, ''), '/fhir/Observation?code=29463-7']) {
    expect((await raw(path)).text, path).toContain('"value":70.50,');
  }
});

test('a refusal tells the client which rule and which element', async () => {
  const body = reading('29463-7', 70.05, 'kg', '2026-11-24T09:00:00Z', 'w');
  const refusal = (await client.create({ resourceType: 'Observation', body: loose(body) }).catch((error: unknown) => error)) as {
    response: { status: number; data: fhir4.OperationOutcome };
  };
  expect(refusal.response.status).toBe(422);
  const [issue] = refusal.response.data.issue.filter(({ severity }) => severity === 'error');
  expect(issue?.expression).toEqual(['Observation.value.ofType(Quantity).value']);
  expect((await raw(`/rules/${issue?.details?.coding?.[0]?.code ?? ''}`)).status).toBe(200);
});

test('everything that the artefacts and the CapabilityStatement name can be read', async () => {
  const statement = await strict<fhir4.CapabilityStatement>(client.capabilityStatement());
  const observation = statement.rest?.[0]?.resource?.find(({ type }) => type === 'Observation');
  const own = [...(observation?.supportedProfile ?? []), ...(observation?.operation ?? []).map(({ definition }) => definition)].filter(
    (url) => url.startsWith('https://steelyard.example/'),
  );
  expect(own.length).toBeGreaterThan(3);
  for (const url of own) {
    const [type = '', id = ''] = url.split('/').slice(-2);
    expect(await strict<fhir4.StructureDefinition>(client.read({ resourceType: type, id }))).toMatchObject({ resourceType: type, url });
  }
});

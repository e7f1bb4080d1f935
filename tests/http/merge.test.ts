/** Two records of one person over HTTP: how they are told of, and what a search finds. Everybody is invented. */
import type * as fhir4 from 'fhir/r4.js';
import { afterEach, expect, test } from 'vitest';
import { arrived } from '../arrived.ts';
import { weight } from '../measurements.ts';
import { startService, type Service } from '../service.ts';

const WRISTBAND = { system: 'urn:example:wristband', value: '7' };
const JSON_TYPE = { 'Content-Type': 'application/fhir+json' };

let service: Service | undefined;
afterEach(() => service?.close());

async function ward(): Promise<Service> {
  service = await startService({ now: '2026-03-02T10:00:00Z' });
  return service;
}

function putPatient(given: Service, id: string, members: object): Promise<{ readonly status: number; readonly text: string }> {
  const body = JSON.stringify({ resourceType: 'Patient', id, birthDate: '1970-01-01', ...members });
  return given.call('PUT', `/fhir/Patient/${id}`, { body, headers: JSON_TYPE });
}

async function valuesFound(given: Service, query: string): Promise<unknown[]> {
  const bundle = JSON.parse((await given.call('GET', `/fhir/Observation?${query}`)).text) as fhir4.Bundle<fhir4.Observation>;
  return (bundle.entry ?? []).map(({ resource }) => [resource?.subject?.reference, resource?.valueQuantity?.value]);
}

test('a search by either record or by an identifier of either finds the readings, which say whom they were sent for', async () => {
  const given = await ward();
  await given.post('Observation', arrived(weight('80.0', 'kg')).text);
  const link = [{ type: 'replaced-by', other: { reference: `${given.base}/Patient/bo` } }];
  expect((await putPatient(given, 'ada', { identifier: [WRISTBAND], link })).status).toBe(201);
  await given.post('Observation', arrived(weight('81.0', 'kg', { subject: { reference: 'Patient/bo' } })).text);
  const both = [
    ['Patient/ada', 80],
    ['Patient/bo', 81],
  ];
  for (const query of ['patient=ada', 'patient=bo', 'subject=Patient/ada', 'patient:identifier=urn:example:wristband%7C7'])
    expect(await valuesFound(given, query), query).toEqual(both);
  expect(await valuesFound(given, 'patient=cy')).toEqual([]);

  await putPatient(given, 'ada', { identifier: [WRISTBAND] });
  expect(await valuesFound(given, 'patient=ada')).toEqual([['Patient/ada', 80]]);
  expect(await valuesFound(given, 'patient=bo')).toEqual([['Patient/bo', 81]]);
});

test('a circle of replacements is answered 422 in words', async () => {
  const given = await ward();
  await putPatient(given, 'ada', { link: [{ type: 'replaced-by', other: { reference: 'Patient/bo' } }] });
  const { status, text } = await putPatient(given, 'bo', { link: [{ type: 'replaced-by', other: { reference: 'Patient/ada' } }] });
  expect(status).toBe(422);
  expect((JSON.parse(text) as fhir4.OperationOutcome).issue[0]).toMatchObject({
    diagnostics:
      'The Patient who replaces this one cannot be used: it must be one reference Patient/ID to another Patient, whose own replaced-by links do not lead back. Send it so, or leave it out.',
    expression: ['Patient.link[0].other'],
  });
});

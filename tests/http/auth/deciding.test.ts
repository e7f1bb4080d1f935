/** Who decides, claims and recalls: the person of the token, and nobody else. */
import { beforeEach, describe, expect, test } from 'vitest';
import { isJsonObject } from '../../../src/core/json.ts';
import { measured } from '../../measurements.ts';
import { objects } from '../../published/readings.ts';
import { issueCodes, treeOf, type Answer } from '../edge.ts';
import { NURSE, startGuarded, weightText, type Guarded } from './guarded.ts';
import { ISSUER, type Claims } from './issuer.ts';

const GATEWAY: Claims = { scope: 'system/Observation.cu system/Device.u' };
const AUDITOR: Claims = { sub: 'auditor', client_id: 'auditor', scope: 'system/Provenance.rs system/Observation.rs' };
const IDENTIFIER = { system: ISSUER, value: 'nurse-7' };
const ME = { reference: 'Practitioner/nurse-7', identifier: IDENTIFIER };

let guarded: Guarded;
let id: string;

/** So little is possible, but doubtful: it waits. */
async function postHeld(): Promise<string> {
  const answer = await guarded.as(GATEWAY, 'POST', '/fhir/Observation', weightText({ valueQuantity: measured('1.5', 'kg') }));
  expect(answer.status, answer.text).toBe(202);
  return /Observation\/([^/]+)/.exec(answer.headers.location ?? '')?.[1] ?? '';
}

beforeEach(async () => {
  guarded = await startGuarded();
  id = await postHeld();
});

const parameters = (...parts: object[]): string => JSON.stringify({ resourceType: 'Parameters', parameter: parts });
const KEEP = [
  { name: 'decision', valueCode: 'keep' },
  { name: 'reason', valueString: 'Weighed twice.' },
];
const decide = (claims: Claims, who?: object): Promise<Answer> =>
  guarded.as(claims, 'POST', `/fhir/Observation/${id}/$decide`, parameters(...KEEP, ...(who ? [{ name: 'who', ...who }] : [])));

/** Authors in the Provenances of the reading. */
async function authors(): Promise<unknown[]> {
  const found = treeOf(await guarded.as(AUDITOR, 'GET', `/fhir/Provenance?target=Observation/${id}`));
  return objects(found['entry']).flatMap(({ resource }) =>
    objects(isJsonObject(resource) ? resource['agent'] : []).flatMap(({ type, who }) =>
      JSON.stringify(type).includes('"author"') ? [who] : [],
    ),
  );
}

describe('a decision', () => {
  test('is recorded for the person of the token, whom the request need not name', async () => {
    expect((await decide(NURSE)).status).toBe(200);
    expect(await authors()).toEqual([ME]);
  });

  test.each([
    ['by reference', { valueReference: { reference: 'Practitioner/nurse-7' } }],
    ['by identifier', { valueReference: { identifier: IDENTIFIER } }],
    ['by both, with a name that is not kept', { valueReference: { ...ME, display: 'Somebody' } }],
  ])('may name that person %s', async (_how, who) => {
    expect((await decide(NURSE, who)).status).toBe(200);
    expect(await authors()).toEqual([ME]);
  });

  test.each([
    ['by reference', { valueReference: { reference: 'Practitioner/nurse-8' } }],
    ['by identifier', { valueReference: { identifier: { system: ISSUER, value: 'nurse-8' } } }],
    ['of another issuer', { valueReference: { identifier: { system: 'https://other.example', value: 'nurse-7' } } }],
    ['beside that person', { valueReference: { reference: 'Practitioner/nurse-8', identifier: IDENTIFIER } }],
    ['by a name alone', { valueString: 'Nurse Seven' }],
  ])('that names somebody else %s is refused, and nothing is decided', async (_how, who) => {
    const answer = await decide(NURSE, who);
    expect([answer.status, issueCodes(answer)]).toEqual([403, ['forbidden']]);
    expect(answer.text).toContain('"Parameters.parameter[2]"');
    expect(await authors()).toEqual([]);
  });

  test('is never taken from a program, nor from a person without the scope', async () => {
    for (const claims of [
      GATEWAY,
      { scope: 'system/*.cruds steelyard/review' },
      { ...NURSE, scope: 'user/*.cruds' },
      { ...NURSE, scope: 'steelyard/operate' },
      // an account of a program, under a name of its own
      { ...NURSE, fhirUser: undefined },
      { sub: 'account-5', scope: 'system/*.cruds user/*.cruds steelyard/review' },
    ]) {
      expect((await decide(claims)).status).toBe(403);
    }
    expect(await authors()).toEqual([]);
  });

  test('of a reviewer does not make the reviewer a gateway', async () => {
    const answer = await guarded.as(NURSE, 'POST', '/fhir/Observation', weightText());
    expect([answer.status, issueCodes(answer)]).toEqual([403, ['forbidden']]);
    expect((await guarded.as({ ...NURSE, scope: 'user/Observation.c' }, 'POST', '/fhir/Observation', weightText())).status).toBe(201);
  });
});

describe('a recall', () => {
  const ORDER = [
    { name: 'since', valueDate: '2026-03-01' },
    { name: 'action', valueCode: 'flagged' },
    { name: 'reason', valueString: 'Checked with weights.' },
  ];
  const recall = (claims: Claims, ...who: object[]): Promise<Answer> =>
    guarded.as(claims, 'POST', '/fhir/Device/scale-1/$recall', parameters(...ORDER, ...who));

  test('is recorded for the engineer or reviewer of the token, and refused in the name of another', async () => {
    const registered = await guarded.as(GATEWAY, 'PUT', '/fhir/Device/scale-1', '{"resourceType":"Device","id":"scale-1"}');
    expect(registered.status).toBe(201);
    const engineer = { sub: 'engineer-3', client_id: 'workshop', fhirUser: 'Person/engineer-3', scope: 'steelyard/operate' };
    const refused = await recall(engineer, { name: 'who', valueString: 'Somebody else' });
    expect([refused.status, issueCodes(refused)]).toEqual([403, ['forbidden']]);
    expect((await recall({ ...engineer, sub: 'workshop' })).status).toBe(403);
    expect((await recall({ ...engineer, fhirUser: undefined })).status).toBe(403);
    expect(await authors()).toEqual([]);
    const answer = await recall(engineer);
    expect(answer.status, answer.text).toBe(200);
    expect(await authors()).toEqual([{ identifier: { system: ISSUER, value: 'engineer-3' } }]);
  });
});

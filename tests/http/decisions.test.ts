/** `$decide`, `$undo` and `$claim` over HTTP, on the whole service. */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { conformResource } from '../../src/core/conform.ts';
import { stringifyExact, type JsonObject, type JsonValue } from '../../src/core/json.ts';
import type { Policy } from '../../src/core/policy.ts';
import { height, NOW, weight, type Changes } from '../measurements.ts';
import { asParameters, kilograms, NURSE, REASON, type Asked } from '../ingest/decisions-asked.ts';
import { policyWith, startService, type Service } from '../service.ts';
import { issueCodes, treeOf, type Answer } from './edge.ts';

let service: Service;
const starting = async (policy?: Policy): Promise<void> => {
  service = await startService({ now: NOW, ...(policy && { policy }) });
};
beforeEach(() => starting());
afterEach(() => service.close());

const post = (observation: object) => service.post('Observation', stringifyExact(observation));
const idIn = (answer: Answer): string => /\/Observation\/([^/]+)\//.exec(answer.headers.location ?? '')?.[1] ?? '';
const decide = (id: string, asked: Asked, headers: Readonly<Record<string, string>> = {}, dollar = '$') =>
  service.post(`Observation/${id}/${dollar}decide`, stringifyExact(asParameters({ reason: REASON, who: NURSE, ...asked })), headers);
const claim = (id: string, subject: object) =>
  service.post(`Observation/${id}/$claim`, stringifyExact(asParameters({ who: 'Nell Invented', subject })));

/** The resources of a Parameters answer, by name. */
function partsOf(answer: Answer): Record<string, JsonObject> {
  expect(answer.status, answer.text).toBe(200);
  const { resourceType, parameter } = treeOf(answer);
  expect(resourceType).toBe('Parameters');
  expect(conformResource(treeOf(answer), 'Parameters')).toMatchObject({ ok: true });
  return Object.fromEntries((parameter as JsonObject[]).map(({ name, resource }) => [String(name), resource as JsonObject]));
}

async function searched(query: string): Promise<string[]> {
  const { entry = [] } = treeOf(await service.call('GET', `/fhir/Observation${query}`)) as { entry?: JsonValue };
  return (entry as JsonObject[]).map(({ resource }) => String((resource as JsonObject)['id']));
}

/** Yesterday 70.0 kg and 170.0 cm; today the scale said 97.0 kg. */
async function heldWeight(changes: Changes = {}): Promise<string> {
  const yesterday = { effectiveDateTime: '2026-03-01T08:00:00Z' };
  await post(height('170.0', 'cm', yesterday));
  await post(weight('70.0', 'kg', yesterday));
  const answer = await post(weight('97.0', 'kg', changes));
  expect(answer.status).toBe(202);
  return idIn(answer);
}

describe('$decide', () => {
  test.each(['$', '%24'])('answers with the outcome and the Observation as it is stored, called with %s', async (dollar) => {
    const id = await heldWeight();
    const answer = await decide(id, { decision: 'correct', value: kilograms('70.0') }, {}, dollar);
    const { outcome, observation, moved } = partsOf(answer);
    expect([outcome?.['resourceType'], moved, answer.headers.etag]).toEqual(['OperationOutcome', undefined, 'W/"2"']);
    expect(answer.text).toContain('"value":70.0,');
    expect(stringifyExact(observation ?? {})).toBe((await service.call('GET', `/fhir/Observation/${id}`)).text);
    expect(observation).toMatchObject({ status: 'corrected' });
  });

  test('wrong-person answers with both Observations, all of them conformant R4', async () => {
    const id = await heldWeight();
    const { observation, moved } = partsOf(await decide(id, { decision: 'wrong-person', subject: { reference: 'Patient/bo' } }));
    expect([observation?.['status'], moved?.['status']]).toEqual(['entered-in-error', 'final']);
    for (const one of [observation, moved]) {
      const { id: key } = one as unknown as { id: string };
      expect(conformResource(treeOf(await service.call('GET', `/fhir/Observation/${key}`)), 'Observation')).toMatchObject({ ok: true });
      const { entry } = treeOf(await service.call('GET', `/fhir/Provenance?target=Observation/${key}`));
      for (const { resource } of entry as JsonObject[])
        expect(conformResource(resource as JsonObject, 'Provenance')).toMatchObject({ ok: true });
    }
    expect(await searched('?patient=bo')).toEqual([moved?.['id']]);
  });

  test('decides what a search shows: nothing held, the kept one, and no longer among the held ones', async () => {
    const id = await heldWeight();
    expect(await searched('?patient=ada&code=29463-7')).not.toContain(id);
    expect(await searched('?status=preliminary')).toEqual([id]);
    await decide(id, { decision: 'weigh-again' });
    expect(await searched('?_tag=https://steelyard.example/fhir/CodeSystem/handling%7Cweigh-again-asked')).toEqual([id]);
    expect(await searched('?patient=ada&code=29463-7')).not.toContain(id);
    await decide(id, { decision: 'keep' });
    expect(await searched('?patient=ada&code=29463-7')).toContain(id);
    expect(await searched('?status=preliminary')).toEqual([]);
  });

  test('two at once are one 200 and one 409', async () => {
    const id = await heldWeight();
    const answers = await Promise.all([decide(id, { decision: 'keep' }), decide(id, { decision: 'discard' })]);
    expect(answers.map(({ status }) => status).sort()).toEqual([200, 409]);
    const [loser] = answers.filter(({ status }) => status === 409);
    expect(issueCodes(loser!)).toEqual(['conflict']);
    expect(loser!.text).toMatch(/Somebody decided to (keep|discard) it, at 2026-03-02T10:00:00\.000Z\./);
    expect(loser!.text).not.toMatch(/nurse|coat/);
    const versions = treeOf(await service.call('GET', `/fhir/Observation/${id}/_history`))['entry'] as JsonObject[];
    expect(versions).toHaveLength(2);
  });

  test('honours If-Match, and answers 404, 400, 412 and 422 with an outcome', async () => {
    const id = await heldWeight();
    const table: readonly (readonly [Promise<Answer>, number, string])[] = [
      [decide('no-such', { decision: 'keep' }), 404, 'not-found'],
      [decide(id, { decision: 'keep', reason: 'x'.repeat(501) }), 400, 'value'],
      [decide(id, { decision: 'keep' }, { 'If-Match': 'W/"7"' }), 412, 'conflict'],
      [decide(id, { decision: 'keep' }, { 'If-Match': 'seven' }), 400, 'value'],
      [service.post(`Observation/${id}/$decide`, '{"resourceType":"Observation"}'), 400, 'invalid'],
      [decide(id, { decision: 'correct', value: kilograms('70.33') }), 422, 'value'],
    ];
    for (const [asked, status] of table) expect((await asked).status).toBe(status);
    for (const [asked, , code] of table.slice(0, 5)) expect(issueCodes(await asked)).toEqual([code]);
    expect((await decide(id, { decision: 'keep' }, { 'If-Match': 'W/"1"' })).status).toBe(200);
  });

  test('is served on one Observation, by POST, and in no Bundle', async () => {
    const id = await heldWeight();
    const get = await service.call('GET', `/fhir/Observation/${id}/$decide`);
    expect([get.status, get.headers.allow]).toEqual([405, 'POST']);
    const entry = {
      request: { method: 'POST', url: `Observation/${id}/$decide` },
      resource: asParameters({ decision: 'keep', reason: REASON, who: NURSE }),
    };
    for (const type of ['batch', 'transaction']) {
      const answer = await service.post('', stringifyExact({ resourceType: 'Bundle', type, entry: [entry] }));
      expect(answer.text).toMatch(/transport-method/);
    }
    expect(treeOf(await service.call('GET', `/fhir/Observation/${id}`))).toMatchObject({ status: 'preliminary' });
  });

  test('leaves no word of who decided and why in the log', async () => {
    const id = await heldWeight();
    await decide(id, { decision: 'keep', reason: 'MARKEDREASON', who: 'MARKEDNAME' });
    await decide(id, { decision: 'keep', reason: 'MARKEDREASON', who: 'MARKEDNAME' });
    await decide(id, { decision: 'keep', reason: 'MARKEDREASON'.repeat(50), who: { reference: 'MARKEDNAME' } });
    const log = service.logLines.join('');
    expect(log).toContain('decision-accepted');
    expect(log).toContain('transport-conflict');
    expect(log).not.toMatch(/MARKED/);
  });
});

describe('$undo', () => {
  const undo = (id: string, asked: Asked = { who: NURSE }, headers: Readonly<Record<string, string>> = {}) =>
    service.post(`Observation/${id}/$undo`, stringifyExact(asParameters(asked)), headers);

  test('answers with the reading that waits again, all of it conformant R4, and once', async () => {
    const id = await heldWeight();
    await decide(id, { decision: 'wrong-person', subject: { reference: 'Patient/bo' } });
    const stale = await undo(id, { who: NURSE }, { 'If-Match': 'W/"1"' });
    expect([stale.status, issueCodes(stale)]).toEqual([412, ['conflict']]);
    const answer = await undo(id, { who: NURSE, reason: 'The wrong row.' });
    const { observation, moved } = partsOf(answer);
    expect([observation?.['status'], moved?.['status'], answer.headers.etag]).toEqual(['preliminary', 'entered-in-error', 'W/"3"']);
    for (const one of [observation, moved]) {
      const { entry } = treeOf(await service.call('GET', `/fhir/Provenance?target=Observation/${String(one?.['id'])}`));
      for (const { resource } of entry as JsonObject[])
        expect(conformResource(resource as JsonObject, 'Provenance')).toMatchObject({ ok: true });
    }
    expect([await searched('?patient=bo&status=final'), await searched('?status=preliminary')]).toEqual([[], [id]]);
    const again = await undo(id);
    expect([again.status, issueCodes(again)]).toEqual([409, ['conflict']]);
    expect(again.text).toContain('Decide anew.');
  });

  test('needs somebody who does it, and knows no other parameter', async () => {
    const id = await heldWeight();
    await decide(id, { decision: 'keep' });
    expect((await undo(id, {})).status).toBe(400);
    expect((await undo(id, { who: NURSE, decision: 'keep' })).status).toBe(400);
    expect((await undo(id)).status).toBe(200);
  });
});

describe('$claim', () => {
  const NOBODYS = { subject: undefined, effectiveDateTime: '2026-03-02T09:45:00Z' };

  test('brings an unassigned reading, found by its tag, to its person', async () => {
    await service.close();
    await starting(policyWith({ 'unassigned.accept': true }));
    const id = idIn(await post(weight('70.50', 'kg', NOBODYS)));
    expect(await searched('?_tag=https://steelyard.example/fhir/CodeSystem/handling%7Cunassigned')).toEqual([id]);
    expect(await searched('')).toEqual([]);
    const answer = await claim(id, { reference: 'Patient/ada' });
    expect(partsOf(answer)['observation']).toMatchObject({ status: 'final', subject: { reference: 'Patient/ada' } });
    expect(answer.text).toContain('"value":70.50,');
    expect(await searched('?patient=ada')).toEqual([id]);
    expect(await searched('?_tag=unassigned')).toEqual([]);
    const again = await claim(id, { reference: 'Patient/ada' });
    expect([again.status, issueCodes(again)]).toEqual([409, ['conflict']]);
  });

  test('of a reading that names its person, or without a person to name, is refused', async () => {
    const id = await heldWeight();
    expect((await claim(id, { reference: 'Patient/bo' })).status).toBe(409);
    expect((await claim(id, { display: 'Ada Invented' })).status).toBe(400);
    expect((await post(weight('70.0', 'kg', NOBODYS))).status).toBe(422);
  });
});

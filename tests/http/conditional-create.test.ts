/** If-None-Exist through the whole service: percent-encoded once by the sender, decoded once here. */
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { objects, observationText, postEntry } from '../published/readings.ts';
import { startService, type Service } from '../service.ts';
import { treeOf } from './edge.ts';

const SYSTEM = 'urn:example:harbourlight';

/** A reading of a person of its own, so that nothing but its identifier tells it from others. */
function reading(person: string, value: string, at: string): string {
  const text = observationText({ person, of: 'weight', value: '70.5', unit: 'kg', at });
  return text.replace('{', `{"identifier":[{"system":"${SYSTEM}","value":${JSON.stringify(value)}}],`);
}

describe('an identifier that has to be encoded', () => {
  let service: Service;
  beforeAll(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
  });
  afterAll(() => service.close());

  test.each([
    ['an offset', 'scale-7/2026-03-02T08:00:00+01:00', '%2B'],
    ['an ampersand', 'a&b', '%26'],
    ['a percent sign', '100%25', '%25'],
    ['a blank', 'ward 3', '%20'],
    ['a bar', 'a|b', '%7C'],
    ['letters beyond ASCII', 'Wägung', '%C3%A4'],
  ])('%s is found again, alone and in a Bundle', async (name, value, encoded) => {
    const person = `person-${name.length}`;
    const condition = `identifier=${encodeURIComponent(SYSTEM)}|${encodeURIComponent(value)}`;
    expect(condition).toContain(encoded);
    const first = await service.post('Observation', reading(person, value, '2026-03-02T08:00:00Z'), { 'If-None-Exist': condition });
    expect(first.status, first.text).toBe(201);

    // another time: only the condition can tell that it is there already
    const again = reading(person, value, '2026-03-02T08:30:00Z');
    const second = await service.post('Observation', again, { 'If-None-Exist': condition });
    expect([second.status, second.headers.location]).toEqual([200, first.headers.location]);

    const entry = postEntry(again).replace('"url":"Observation"', `"url":"Observation","ifNoneExist":${JSON.stringify(condition)}`);
    const bundle = await service.post('', `{"resourceType":"Bundle","type":"batch","entry":[${entry}]}`);
    const responses = objects(treeOf(bundle)['entry']).map(({ response }) => response);
    expect(responses).toMatchObject([{ status: '200 OK', location: first.headers.location?.slice(service.base.length + 1) }]);
  });
});

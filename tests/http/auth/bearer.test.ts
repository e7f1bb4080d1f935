import { beforeAll, describe, expect, test } from 'vitest';
import { issueCodes, send } from '../edge.ts';
import { startGuarded, weightText, type Guarded } from './guarded.ts';
import { forge, FORGERIES, type Forgery } from './issuer.ts';
import { CLOCK } from '../../measurements.ts';

let guarded: Guarded;
let token: string;
beforeAll(async () => {
  guarded = await startGuarded();
  token = await guarded.token({ scope: 'system/Observation.crs' });
});

const stored = async (): Promise<number> => guarded.service.store.read.countObservations({ includeHeld: true });
const json = { 'Content-Type': 'application/fhir+json' };

describe('a token', () => {
  test.each(['Bearer', 'bearer', 'BEARER', 'Bearer  '])('in the Authorization header is taken as %s', async (scheme) => {
    const answer = await guarded.service.call('GET', '/fhir/Observation', { headers: { Authorization: `${scheme} ${token}` } });
    expect(answer.status).toBe(200);
  });

  test.each(['access_token', 'ACCESS_TOKEN', 'access%5Ftoken', '_id=x&access_token'])(
    'in the URL as %s lets nobody in, and beside the header spoils the request',
    async (name) => {
      const url = `/fhir/Observation?${name}=${token}`;
      const alone = await guarded.service.call('GET', url);
      expect([alone.status, issueCodes(alone), alone.headers['www-authenticate']]).toEqual([401, ['login'], 'Bearer realm="steelyard"']);
      const both = await guarded.service.call('GET', url, { headers: { Authorization: `Bearer ${token}` } });
      expect([both.status, both.headers['www-authenticate']]).toEqual([400, 'Bearer realm="steelyard", error="invalid_request"']);
      expect(alone.text + both.text).not.toContain(token);
    },
  );

  test.each([{}, { Prefer: 'handling=lenient' }])('in the form of a search is refused (%j)', async (prefer) => {
    const answer = await guarded.service.call('POST', '/fhir/Observation/_search', {
      headers: { ...prefer, Authorization: `Bearer ${token}`, 'Content-Type': 'application/x-www-form-urlencoded' },
      body: `access_token=${token}`,
    });
    expect([answer.status, issueCodes(answer)]).toEqual([400, ['invalid']]);
  });

  test('in two Authorization headers is refused, whichever of them is right', async () => {
    for (const values of [
      [`Bearer ${token}`, `Bearer ${token}`],
      [`Bearer ${token}`, 'Bearer abc.def.ghi'],
      ['Basic eDp5', `Bearer ${token}`],
    ]) {
      const headers = { Authorization: values } as unknown as Record<string, string>;
      expect((await send(guarded.service.port, 'GET', '/fhir/Observation', { headers })).status).toBe(400);
    }
  });

  test.each(['Bearer', 'Bearer ', 'Bearer a b', 'Bearer "x"', 'Bearer ä', 'Bearer ,'])('that is none (%j) is refused', async (header) => {
    const headers = { Authorization: Buffer.from(header).toString('latin1') };
    const answer = await guarded.service.call('GET', '/fhir/Observation', { headers });
    expect([answer.status, issueCodes(answer)]).toEqual([401, ['login']]);
  });

  test.each(['Basic dXNlcjpwYXNz', 'Negotiate abc', 'Token x', 'Bearerx.y.z'])('of another scheme (%s) is none', async (header) => {
    const answer = await guarded.service.call('GET', '/fhir/Observation', { headers: { Authorization: header } });
    expect([answer.status, answer.headers['www-authenticate']]).toEqual([401, 'Bearer realm="steelyard"']);
  });

  test('in a cookie or another header is not looked for', async () => {
    for (const headers of [
      { Cookie: `access_token=${token}` },
      { 'X-Access-Token': token },
      { 'Proxy-Authorization': `Bearer ${token}` },
    ]) {
      expect((await guarded.service.call('GET', '/fhir/Observation', { headers })).status).toBe(401);
    }
  });

  test('of 10 kB is refused before anybody reads it', async () => {
    const answer = await guarded.service.call('GET', '/fhir/Observation', { headers: { Authorization: `Bearer ${'a'.repeat(10_000)}` } });
    expect([answer.status, issueCodes(answer)]).toEqual([431, ['too-long']]);
  });
});

describe('a forged token at the door', () => {
  test.each(Object.keys(FORGERIES) as Forgery[])('%s stores nothing, and leaves no trace of itself', async (name) => {
    const forged = await forge(name, { key: guarded.key, nowMs: CLOCK.nowMs(), claims: { sub: 'MARKEDNAME' } });
    const before = await stored();
    const answer = await guarded.service.post('Observation', weightText(), { Authorization: `Bearer ${forged}` });
    expect([answer.status, issueCodes(answer), answer.headers['www-authenticate']]).toEqual([
      401,
      ['login'],
      'Bearer realm="steelyard", error="invalid_token"',
    ]);
    expect(await stored()).toBe(before);
    const lines = guarded.service.logLines.join('');
    for (const part of [...forged.split('.'), 'MARKEDNAME'].filter((text) => text.length > 4))
      expect(lines + answer.text).not.toContain(part);
  });
});

test('no line of the log holds a token or a claim of one that was taken', async () => {
  const claims = { sub: 'MARKEDNAME', client_id: 'MARKEDCLIENT', scope: 'user/Observation.c', fhirUser: 'Practitioner/MARKEDNAME' };
  const marked = await guarded.token(claims);
  const answer = await guarded.service.call('POST', '/fhir/Observation', {
    headers: { ...json, Authorization: `Bearer ${marked}` },
    body: weightText(),
  });
  expect(answer.status).toBe(201);
  await guarded.service.call('GET', '/fhir/Observation', { headers: { Authorization: `Bearer ${marked}` } });
  const lines = guarded.service.logLines.join('');
  for (const part of [...marked.split('.'), 'MARKEDNAME', 'MARKEDCLIENT', 'Bearer']) expect(lines).not.toContain(part);
});

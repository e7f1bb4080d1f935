/** Tokens of a real OAuth 2 server, on loopback, as a site's own would give them. */
import { once } from 'node:events';
import { createServer, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { exportJWK, generateKeyPair, type JWK } from 'jose';
import Provider, { type ResourceServer } from 'oidc-provider';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { createAuth } from '../../../src/http/auth/create-auth.ts';
import { startService, type Service } from '../../service.ts';
import { issueCodes } from '../edge.ts';
import { weightText } from './guarded.ts';

const AUDIENCE = 'https://steelyard.harbourlight.example/fhir';
const SCOPES = ['system/Observation.c', 'system/Observation.rs', 'user/Observation.rs', 'steelyard/review', 'steelyard/operate'];

let offsetMs = 0;
const clock = { nowMs: (): number => Date.now() + offsetMs };
let server: Server;
let issuer: string;
let provider: Provider;
let service: Service;
let keyHits = 0;

async function privateJwk(kid: string, alg: string): Promise<JWK> {
  const { privateKey } = await generateKeyPair(alg, { extractable: true });
  return { ...(await exportJWK(privateKey)), kid, alg, use: 'sig' };
}

const resourceServer = (alg: string): ResourceServer =>
  ({
    scope: SCOPES.join(' '),
    audience: AUDIENCE,
    accessTokenTTL: 300,
    accessTokenFormat: 'jwt',
    jwt: { sign: { alg } },
  }) as ResourceServer;

/** The same server with other keys: as after a rotation. */
function providerWith(keys: readonly JWK[], alg: string): Provider {
  return new Provider(issuer, {
    jwks: { keys: [...keys] as never },
    scopes: SCOPES,
    cookies: { keys: ['invented-and-used-for-nothing'] },
    ttl: { ClientCredentials: 300, AccessToken: 300 },
    // as SMART App Launch has it: who logged in, for tokens of people
    extraTokenClaims: (_context, { kind }) => (kind === 'AccessToken' ? { fhirUser: 'Practitioner/nurse-7' } : undefined),
    clients: ['gateway-a', 'review-page'].map((client_id) => ({
      client_id,
      client_secret: `${client_id}-s3cret-of-thirty-two-characters`,
      grant_types: ['client_credentials'],
      redirect_uris: [],
      response_types: [],
    })),
    enabledJWA: { idTokenSigningAlgValues: ['RS256', 'PS256', 'ES256', 'ES384'] as never },
    features: {
      devInteractions: { enabled: false },
      clientCredentials: { enabled: true },
      resourceIndicators: { enabled: true, getResourceServerInfo: () => resourceServer(alg) },
    },
  });
}

beforeAll(async () => {
  server = createServer((req, res) => {
    if (req.url === '/jwks') keyHits += 1;
    void provider.callback()(req, res);
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  issuer = `http://127.0.0.1:${(server.address() as AddressInfo).port}`;
  provider = providerWith([await privateJwk('first', 'RS256')], 'RS256');
  const auth = await createAuth({ jwks: `${issuer}/jwks`, issuer, audience: AUDIENCE }, { clock, gateways: () => undefined });
  service = await startService({ now: clock.nowMs, auth });
});
afterAll(async () => {
  await service.close();
  server.close();
  server.closeAllConnections();
});

/** Client credentials, for our resource (RFC 8707) or for none. */
async function tokenFor(client: string, scope: string, resource: string | null = AUDIENCE): Promise<string> {
  const response = await fetch(`${issuer}/token`, {
    method: 'POST',
    headers: { Authorization: `Basic ${Buffer.from(`${client}:${client}-s3cret-of-thirty-two-characters`).toString('base64')}` },
    body: new URLSearchParams({ grant_type: 'client_credentials', scope, ...(resource !== null && { resource }) }),
  });
  const answer = (await response.json()) as { access_token?: string };
  if (answer.access_token === undefined) throw new Error(JSON.stringify(answer));
  return answer.access_token;
}

const bearer = (token: string) => ({ Authorization: `Bearer ${token}` });
const body = (): string => weightText({ effectiveDateTime: new Date(Date.now() - 600_000).toISOString() });
const post = (token: string) => service.post('Observation', body(), bearer(token));

describe('a real OAuth server', () => {
  test('gives a gateway a token with which it may post and no more', async () => {
    const token = await tokenFor('gateway-a', 'system/Observation.c');
    expect((await post(token)).status).toBeLessThan(202);
    const read = await service.call('GET', '/fhir/Observation', { headers: bearer(token) });
    expect([read.status, issueCodes(read)]).toEqual([403, ['forbidden']]);
    expect((await service.call('GET', '/metrics', { headers: bearer(token) })).status).toBe(403);
  });

  test('gives a program with the scope to review no way to decide', async () => {
    const token = await tokenFor('review-page', 'steelyard/review system/Observation.rs');
    expect((await service.call('GET', '/fhir/Observation', { headers: bearer(token) })).status).toBe(200);
    expect((await service.post('Observation/x/$decide', '{"resourceType":"Parameters"}', bearer(token))).status).toBe(403);
  });

  test('gives a person a token that may decide', async () => {
    const client = await provider.Client.find('review-page');
    if (client === undefined) throw new Error('no such client');
    const access = new provider.AccessToken({
      accountId: 'nurse-7',
      client,
      grantId: 'grant',
      gty: 'authorization_code',
      scope: 'user/Observation.rs steelyard/review',
      aud: AUDIENCE,
    });
    (access as unknown as { resourceServer: unknown }).resourceServer = new (
      provider as unknown as { ResourceServer: new (identifier: string, data: ResourceServer) => unknown }
    ).ResourceServer(AUDIENCE, resourceServer('RS256'));
    const token = await access.save();
    // as far as the parameters, which say nothing
    expect((await service.post('Observation/x/$decide', '{"resourceType":"Parameters"}', bearer(token))).status).toBe(400);
    expect((await service.call('GET', '/fhir/Observation', { headers: bearer(token) })).status).toBe(200);
    expect((await post(token)).status).toBe(403);
  });

  test('gives opaque tokens for no resource, which are refused', async () => {
    const answer = await post(await tokenFor('gateway-a', '', null));
    expect([answer.status, issueCodes(answer)]).toEqual([401, ['login']]);
  });

  test('rotates its keys while the service runs, from RSA to elliptic curves', async () => {
    const before = await tokenFor('gateway-a', 'system/Observation.c');
    const [rsa, ec] = [await privateJwk('second', 'RS256'), await privateJwk('third', 'ES384')];
    provider = providerWith([rsa], 'RS256');
    offsetMs += 60_000;
    expect((await post(await tokenFor('gateway-a', 'system/Observation.c'))).status).toBeLessThan(202);
    // the first key is gone
    expect((await post(before)).status).toBe(401);
    provider = providerWith([rsa, ec], 'ES384');
    offsetMs += 60_000;
    expect((await post(await tokenFor('gateway-a', 'system/Observation.c'))).status).toBeLessThan(202);
  });

  test('goes down: tokens that are there go on for a day, and then the answer is 503, not the fault of the token', async () => {
    const client = await provider.Client.find('gateway-a');
    if (client === undefined) throw new Error('no such client');
    const hits = keyHits;
    const running = provider;
    provider = { callback: () => (_req: unknown, res: { destroy(): void }) => res.destroy() } as unknown as Provider;
    const token = await (async () => {
      const credentials = new running.ClientCredentials({ client, scope: 'system/Observation.c' });
      (credentials as unknown as { resourceServer: unknown }).resourceServer = new (
        running as unknown as { ResourceServer: new (identifier: string, data: ResourceServer) => unknown }
      ).ResourceServer(AUDIENCE, resourceServer('ES384'));
      return credentials.save();
    })();
    expect((await post(token)).status).toBeLessThan(202);
    offsetMs += 25 * 60 * 60_000;
    const answer = await post(token);
    expect([answer.status, issueCodes(answer), answer.headers['retry-after'], answer.headers['www-authenticate']]).toEqual([
      503,
      ['transient'],
      '30',
      undefined,
    ]);
    expect((await service.call('GET', '/health/live', { headers: bearer(token) })).status).toBe(200);
    expect(keyHits).toBe(hits + 1);
    // no line of the log holds the token
    for (const part of token.split('.')) expect(service.logLines.join('')).not.toContain(part);
  });
});

import { beforeAll, describe, expect, test } from 'vitest';
import { KeySet } from '../../../src/http/auth/key-set.ts';
import { RefusedToken, type Reason } from '../../../src/http/auth/refused-token.ts';
import { LONGEST_LIFE_SECONDS, TokenVerifier } from '../../../src/http/auth/token-verifier.ts';
import { CLOCK } from '../../measurements.ts';
import {
  AUDIENCE,
  forge,
  FORGERIES,
  gatewayClaims,
  ISSUER,
  newKey,
  sign,
  type Claims,
  type Forgery,
  type Header,
  type SigningKey,
} from './issuer.ts';
import { jwksOf } from './key-server.ts';

const NOW_MS = CLOCK.nowMs();
const NOW = NOW_MS / 1000;

let key: SigningKey;
beforeAll(async () => {
  key = await newKey('ward-1');
});

const keysOf = (text: string): KeySet => new KeySet({ pauseMs: 0, read: () => Promise.resolve({ text, freshForMs: 1_000_000 }) }, CLOCK);
const RULES = { issuer: ISSUER, audience: AUDIENCE, personClaim: 'fhirUser' };
const verifierOf = (keys: readonly SigningKey[] = [key]): TokenVerifier => new TokenVerifier(keysOf(jwksOf(keys)), CLOCK, RULES);
const holder = async (claims: Claims = {}, header: Header = {}) =>
  verifierOf().verify(await sign(key, gatewayClaims(NOW_MS, claims), header));
const reasonOf = async (verified: Promise<unknown>): Promise<Reason> => {
  const error = await verified.then(
    () => new Error('the token was taken'),
    (cause: unknown) => cause,
  );
  if (!(error instanceof RefusedToken)) throw error;
  return error.reason;
};

/** Why each forgery is refused: so that none is refused for a reason that happens to be there too. */
const REFUSED: Readonly<Record<Forgery, Reason>> = {
  'alg-none': 'algorithm',
  'alg-none-mixed': 'algorithm',
  'hs256-with-public-key': 'algorithm',
  'alg-missing': 'algorithm',
  'alg-of-another-kind': 'key',
  'alg-not-in-the-list': 'algorithm',
  'stripped-signature': 'signature',
  'two-parts': 'form',
  'tampered-payload': 'signature',
  'tampered-header': 'signature',
  'signed-by-a-stranger': 'signature',
  'encrypted-and-compressed': 'form',
  'wrong-iss': 'issuer',
  'no-iss': 'claims',
  'wrong-aud': 'audience',
  'no-aud': 'claims',
  'aud-almost': 'audience',
  'typ-id-token': 'type',
  'id-token-by-at-hash': 'type',
  'typ-logout-token': 'type',
  'typ-dpop': 'type',
  'typ-no-text': 'type',
  'kid-traversal': 'key',
  'kid-sql': 'key',
  'kid-long': 'key',
  'kid-random': 'key',
  'kid-number': 'key',
  'jku-evil': 'signature',
  'jwk-embedded': 'signature',
  'x5u-evil': 'signature',
  'x5c-embedded': 'signature',
  'crit-unknown': 'critical',
  'crit-b64': 'critical',
  expired: 'expired',
  'nbf-future': 'not-yet',
  'no-exp': 'claims',
  'exp-9999': 'too-long',
  'exp-string': 'claims',
  'exp-null': 'claims',
  'exp-infinite': 'form',
  'nbf-string': 'claims',
  'no-sub': 'claims',
  'no-client': 'claims',
  'client-no-text': 'claims',
  'client-with-line-end': 'claims',
  'sub-long': 'claims',
  'scope-no-text': 'claims',
  'doubled-claim': 'form',
  'doubled-header': 'form',
  'payload-no-object': 'form',
  'payload-no-json': 'form',
  'header-no-json': 'form',
  junk: 'form',
};

describe('a forged token', () => {
  test.each(Object.keys(FORGERIES) as Forgery[])('%s is refused for what is wrong with it', async (name) => {
    expect(await reasonOf(verifierOf().verify(await forge(name, { key, nowMs: NOW_MS })))).toBe(REFUSED[name]);
  });

  test('is told nothing of itself', async () => {
    for (const name of Object.keys(FORGERIES) as Forgery[]) {
      const token = await forge(name, { key, nowMs: NOW_MS });
      const error = await verifierOf()
        .verify(token)
        .catch((cause: unknown) => cause as RefusedToken);
      const { message, challenge } = error as RefusedToken;
      for (const part of [...token.split('.'), 'gateway-a', ISSUER].filter((text) => text.length > 3)) {
        expect(`${message} ${challenge ?? ''}`).not.toContain(part);
      }
    }
  });
});

describe('a true token', () => {
  test.each(['RS256', 'RS384', 'PS256', 'PS384', 'ES256', 'ES384'])('is taken with %s', async (alg) => {
    const own = await newKey('k', alg);
    expect(await verifierOf([own]).verify(await sign(own, gatewayClaims(NOW_MS)))).toMatchObject({ client: 'gateway-a' });
  });

  test.each([
    ['at+jwt', {}],
    ['application/at+jwt', {}],
    ['JWT', {}],
    [undefined, {}],
    ['at+jwt', { aud: ['https://other.example', AUDIENCE] }],
    ['at+jwt', { nbf: undefined, iat: undefined, jti: undefined }],
    // within the tolerance for clocks that differ, on both sides
    ['at+jwt', { exp: NOW - 59 }],
    ['at+jwt', { nbf: NOW + 60 }],
    ['at+jwt', { exp: NOW + LONGEST_LIFE_SECONDS + 60 }],
  ])('of type %s with %j is taken', async (typ, claims) => {
    expect((await holder(claims, { typ })).client).toBe('gateway-a');
  });

  test('of which the client is named by azp, as older servers do, is taken', async () => {
    expect((await holder({ client_id: undefined, azp: 'gateway-b', sub: 'gateway-b' })).client).toBe('gateway-b');
  });

  test('of a client alone names no person', async () => {
    const { user, person } = await holder();
    expect([user, person]).toEqual([undefined, undefined]);
  });

  test('of a person names them by issuer and subject, and by the resource of theirs that may be an author', async () => {
    const identifier = { system: ISSUER, value: 'u-17' };
    const named = async (fhirUser: unknown) => (await holder({ sub: 'u-17', fhirUser })).person;
    expect(await named('Practitioner/p1')).toEqual({ reference: 'Practitioner/p1', identifier });
    expect(await named('https://ehr.example/fhir/PractitionerRole/7')).toEqual({
      reference: 'https://ehr.example/fhir/PractitionerRole/7',
      identifier,
    });
    expect(await named('Person/1')).toEqual({ identifier });
  });

  test.each([
    ['has an account of its own for a subject', {}],
    ['is a device', { fhirUser: 'Device/scale-1' }],
    ['has no resource for fhirUser', { fhirUser: 'javascript:alert(1)' }],
    ['has a query for fhirUser', { fhirUser: 'Practitioner/p1?x' }],
    ['has a path for fhirUser', { fhirUser: '../Practitioner/1' }],
    ['is the client, whatever fhirUser says', { sub: 'gateway-a', fhirUser: 'Practitioner/p1' }],
    ['is the client that azp names beside client_id', { sub: 'gateway-b', azp: 'gateway-b', fhirUser: 'Practitioner/p1' }],
  ])('names no person when its holder %s, and no scope for people counts', async (_what, claims) => {
    const { person, grants } = await holder({ sub: 'account-5', scope: 'user/Observation.r', ...claims });
    expect([person, grants?.interactions.size]).toEqual([undefined, 0]);
  });

  test('keeps the account behind a client for the audit trail, person or not', async () => {
    expect((await holder({ sub: 'account-5' })).user).toBe('account-5');
  });

  test.each([
    ['employee', { employee: 'E-17' }, true],
    ['employee', { fhirUser: 'Practitioner/p1' }, false],
    ['employee', { employee: '' }, false],
    ['employee', { employee: true }, false],
    ['https://login.example/person', { 'https://login.example/person': 'E-17' }, true],
    ['sub', {}, true],
    ['sub', { sub: 'gateway-a' }, false],
  ])('with %s for the claim of people, and %j, names one: %s', async (personClaim, claims, isPerson) => {
    const verifier = new TokenVerifier(keysOf(jwksOf([key])), CLOCK, { ...RULES, personClaim });
    const { person } = await verifier.verify(await sign(key, gatewayClaims(NOW_MS, { sub: 'u-17', ...claims })));
    expect(person?.identifier?.value).toBe(isPerson ? 'u-17' : undefined);
  });
});

describe('the choice of the key', () => {
  test('without kid is made only when exactly one key fits', async () => {
    const [other, rsa] = [await newKey('ward-2'), await newKey('ward-3', 'RS384')];
    const token = await sign(key, gatewayClaims(NOW_MS), { kid: undefined });
    expect(await verifierOf([key, rsa]).verify(token)).toMatchObject({ client: 'gateway-a' });
    expect(await reasonOf(verifierOf([key, other]).verify(token))).toBe('key');
  });

  test('is refused when two keys have the id', async () => {
    const token = await sign(key, gatewayClaims(NOW_MS));
    expect(await reasonOf(verifierOf([key, await newKey('ward-1')]).verify(token))).toBe('key');
  });

  test('takes one of two keys with one id when they are of different kinds', async () => {
    const token = await sign(key, gatewayClaims(NOW_MS));
    expect(await verifierOf([await newKey('ward-1', 'RS256'), key]).verify(token)).toMatchObject({ client: 'gateway-a' });
  });

  test.each([
    ['is meant for encryption', { use: 'enc' }],
    ['is meant for another algorithm', { alg: 'ES256' }],
    ['may not verify', { key_ops: ['sign'] }],
    ['is on another curve', { crv: 'P-256' }],
  ])('takes none that %s', async (_what, changes) => {
    const verifier = new TokenVerifier(keysOf(JSON.stringify({ keys: [{ ...key.publicJwk, ...changes }] })), CLOCK, RULES);
    expect(await reasonOf(verifier.verify(await sign(key, gatewayClaims(NOW_MS))))).toBe('key');
  });

  test('takes no RSA key of less than 2048 bits, no secret and no private key', async () => {
    const { privateKey, publicKey } = await crypto.subtle.generateKey(
      { name: 'RSASSA-PKCS1-v1_5', modulusLength: 1024, publicExponent: new Uint8Array([1, 0, 1]), hash: 'SHA-256' },
      true,
      ['sign', 'verify'],
    );
    const weak = { ...(await crypto.subtle.exportKey('jwk', publicKey)), kid: 'ward-1', alg: 'RS256', key_ops: ['verify'] };
    const input = `${btoa('{"alg":"RS256","kid":"ward-1"}')}.${btoa(JSON.stringify(gatewayClaims(NOW_MS)))}`.replace(/[=]/g, '');
    const signature = Buffer.from(await crypto.subtle.sign('RSASSA-PKCS1-v1_5', privateKey, Buffer.from(input))).toString('base64url');
    const { exportJWK } = await import('jose');
    const open = { ...(await exportJWK(key.privateKey)), kid: 'ward-1' };
    const verifier = (jwk: object) => new TokenVerifier(keysOf(JSON.stringify({ keys: [jwk] })), CLOCK, RULES);
    expect(await reasonOf(verifier(weak).verify(`${input}.${signature}`))).toBe('key');
    expect(await reasonOf(verifier(open).verify(await sign(key, gatewayClaims(NOW_MS))))).toBe('key');
    expect(await reasonOf(verifier({ kty: 'oct', k: 'AAAA', kid: 'ward-1' }).verify(await sign(key, gatewayClaims(NOW_MS))))).toBe('key');
  });
});

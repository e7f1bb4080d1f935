/** An invented issuer with real keys, for tests that need tokens, good and forged. */
import { createHmac, randomUUID } from 'node:crypto';
import { base64url, exportJWK, exportSPKI, generateKeyPair, SignJWT, type CryptoKey, type JWK } from 'jose';

export const ISSUER = 'https://login.harbourlight.example';
export const AUDIENCE = 'https://steelyard.harbourlight.example/fhir';

export type Claims = Readonly<Record<string, unknown>>;
export type Header = Readonly<Record<string, unknown>>;

export interface SigningKey {
  readonly kid: string;
  readonly alg: string;
  readonly privateKey: CryptoKey;
  readonly publicKey: CryptoKey;
  readonly publicJwk: JWK;
}

export async function newKey(kid: string, alg = 'ES384'): Promise<SigningKey> {
  const { privateKey, publicKey } = await generateKeyPair(alg, { extractable: true });
  return { kid, alg, privateKey, publicKey, publicJwk: { ...(await exportJWK(publicKey)), kid, alg, use: 'sig' } };
}

/** Claims of a gateway's token, valid for five minutes around `nowMs`; `undefined` takes a claim away. */
export function gatewayClaims(nowMs: number, changes: Claims = {}): Claims {
  const now = Math.floor(nowMs / 1000);
  const claims = {
    iss: ISSUER,
    aud: AUDIENCE,
    sub: 'gateway-a',
    client_id: 'gateway-a',
    iat: now,
    nbf: now,
    exp: now + 300,
    jti: randomUUID(),
    scope: 'system/Observation.c',
    ...changes,
  };
  return Object.fromEntries(Object.entries(claims).filter(([, value]) => value !== undefined));
}

export function sign(key: SigningKey, claims: Claims, header: Header = {}): Promise<string> {
  return new SignJWT(claims).setProtectedHeader({ alg: key.alg, kid: key.kid, typ: 'at+jwt', ...header }).sign(key.privateKey);
}

const encoded = (value: object | string): string => base64url.encode(typeof value === 'string' ? value : JSON.stringify(value));

/** Header and payload as texts, signed whatever they say: what no library would write. */
export async function signTexts(key: SigningKey, header: string, payload: string): Promise<string> {
  const input = `${encoded(header)}.${encoded(payload)}`;
  const hash = key.alg === 'ES256' ? 'SHA-256' : 'SHA-384';
  const signature = await crypto.subtle.sign({ name: 'ECDSA', hash }, key.privateKey, new TextEncoder().encode(input));
  return `${input}.${base64url.encode(new Uint8Array(signature))}`;
}

export interface Forging {
  readonly key: SigningKey;
  readonly nowMs: number;
  /** Claims of the token that it is forged from. */
  readonly claims?: Claims;
  /** Address that must never be asked. */
  readonly evilUrl?: string;
}

type Forge = (forging: Forging) => Promise<string> | string;

const changed =
  (changes: (nowSeconds: number) => Claims, header: Header = {}): Forge =>
  ({ key, nowMs, claims }) =>
    sign(key, gatewayClaims(nowMs, { ...claims, ...changes(Math.floor(nowMs / 1000)) }), header);

const withKid =
  (kid: () => unknown): Forge =>
  (forging) =>
    changed(() => ({}), { kid: kid() })(forging);

const withoutSignature =
  (alg: string): Forge =>
  ({ nowMs, claims }) =>
    `${encoded({ alg, typ: 'at+jwt' })}.${encoded(gatewayClaims(nowMs, claims))}.`;

/** Signed by a key of the attacker's own, which the header offers. */
const selfSigned =
  (offer: (key: SigningKey, evilUrl: string) => Header): Forge =>
  async ({ key, nowMs, claims, evilUrl = 'https://evil.example/keys' }) => {
    const own = await newKey(key.kid, key.alg);
    return sign(own, gatewayClaims(nowMs, claims), offer(own, evilUrl));
  };

const partsOf = async ({ key, nowMs, claims }: Forging): Promise<string[]> => (await sign(key, gatewayClaims(nowMs, claims))).split('.');

const YEAR_9999 = 253_402_300_799;

/** Every attack by name, as a token: RFC 8725 sections 2 and 3, RFC 7515, RFC 7519. */
export const FORGERIES = {
  // 2.1, 3.1: the algorithm is the attacker's choice
  'alg-none': withoutSignature('none'),
  'alg-none-mixed': withoutSignature('NoNe'),
  'hs256-with-public-key': async ({ key, nowMs, claims }) => {
    const input = `${encoded({ alg: 'HS256', typ: 'at+jwt', kid: key.kid })}.${encoded(gatewayClaims(nowMs, claims))}`;
    return `${input}.${createHmac('sha256', await exportSPKI(key.publicKey))
      .update(input)
      .digest('base64url')}`;
  },
  'alg-missing': ({ nowMs, claims }) => `${encoded({ typ: 'at+jwt' })}.${encoded(gatewayClaims(nowMs, claims))}.AAAA`,
  'alg-of-another-kind': async ({ key, nowMs, claims }) => sign(await newKey(key.kid, 'RS256'), gatewayClaims(nowMs, claims)),
  'alg-not-in-the-list': async ({ key, nowMs, claims }) => sign(await newKey(key.kid, 'EdDSA'), gatewayClaims(nowMs, claims)),
  // 3.3: every cryptographic operation is validated
  'stripped-signature': async (forging) => `${(await partsOf(forging)).slice(0, 2).join('.')}.`,
  'two-parts': async (forging) => (await partsOf(forging)).slice(0, 2).join('.'),
  'tampered-payload': async (forging) => {
    const [header, , signature] = await partsOf(forging);
    const claims = gatewayClaims(forging.nowMs, { ...forging.claims, scope: 'system/*.cruds steelyard/review' });
    return [header, encoded(claims), signature].join('.');
  },
  'tampered-header': async (forging) => {
    const [, payload, signature] = await partsOf(forging);
    return [encoded({ alg: forging.key.alg, kid: forging.key.kid }), payload, signature].join('.');
  },
  'signed-by-a-stranger': selfSigned(() => ({})),
  // 2.4, 3.6: compressed and encrypted content
  'encrypted-and-compressed': () => `${encoded({ alg: 'RSA-OAEP-256', enc: 'A256GCM', zip: 'DEF' })}.AAAA.AAAA.AAAA.AAAA`,
  // 2.7, 2.8, 3.8, 3.9: substitution between issuers and audiences
  'wrong-iss': changed(() => ({ iss: 'https://login.evil.example' })),
  'no-iss': changed(() => ({ iss: undefined })),
  'wrong-aud': changed(() => ({ aud: 'https://other.harbourlight.example' })),
  'no-aud': changed(() => ({ aud: undefined })),
  'aud-almost': changed(() => ({ aud: `${AUDIENCE}/` })),
  // 2.8, 3.11, 3.12: one kind of JWT for another
  'typ-id-token': changed(() => ({ nonce: 'n-0S6_WzA2Mj' }), { typ: 'JWT' }),
  'id-token-by-at-hash': changed(() => ({ at_hash: 'MTIzNDU2Nzg5MDEyMzQ1Ng' }), { typ: 'JWT' }),
  'typ-logout-token': changed(() => ({}), { typ: 'logout+jwt' }),
  'typ-dpop': changed(() => ({}), { typ: 'dpop+jwt' }),
  'typ-no-text': changed(() => ({}), { typ: 7 }),
  // 3.10: what a header says of keys is a claim of the attacker's
  'kid-traversal': withKid(() => '../../../../../../dev/null'),
  'kid-sql': withKid(() => "x' UNION SELECT 'secret' --"),
  'kid-long': withKid(() => 'k'.repeat(4_000)),
  'kid-random': withKid(() => randomUUID()),
  'kid-number': withKid(() => 7),
  'jku-evil': selfSigned((own, evilUrl) => ({ jku: evilUrl, kid: own.kid })),
  'jwk-embedded': selfSigned(({ publicJwk }) => ({ jwk: publicJwk })),
  'x5u-evil': selfSigned((_own, evilUrl) => ({ x5u: evilUrl })),
  'x5c-embedded': selfSigned(() => ({ x5c: ['MIIB'] })),
  // RFC 7515 section 4.1.11
  'crit-unknown': ({ key, nowMs, claims }) =>
    signTexts(key, JSON.stringify({ alg: key.alg, kid: key.kid, crit: ['exp'], exp: 1 }), JSON.stringify(gatewayClaims(nowMs, claims))),
  'crit-b64': ({ key, nowMs, claims }) =>
    signTexts(key, JSON.stringify({ alg: key.alg, kid: key.kid, crit: ['b64'], b64: false }), JSON.stringify(gatewayClaims(nowMs, claims))),
  // RFC 7519 section 4.1: times
  expired: changed((now) => ({ exp: now - 61 })),
  'nbf-future': changed((now) => ({ nbf: now + 3600 })),
  'no-exp': changed(() => ({ exp: undefined })),
  'exp-9999': changed(() => ({ exp: YEAR_9999 })),
  'exp-string': changed((now) => ({ exp: String(now + 300) })),
  'exp-null': changed(() => ({ exp: null })),
  'exp-infinite': ({ key, nowMs, claims }) => {
    const payload = JSON.stringify(gatewayClaims(nowMs, claims)).replace(/"exp":\d+/, '"exp":1e999');
    return signTexts(key, JSON.stringify({ alg: key.alg, kid: key.kid }), payload);
  },
  'nbf-string': changed((now) => ({ nbf: String(now) })),
  // RFC 9068 section 2.2
  'no-sub': changed(() => ({ sub: undefined })),
  'no-client': changed(() => ({ client_id: undefined })),
  'client-no-text': changed(() => ({ client_id: { $ne: null } })),
  'client-with-line-end': changed(() => ({ client_id: 'gateway-a\n{"level":30}' })),
  'sub-long': changed(() => ({ sub: 's'.repeat(201) })),
  'scope-no-text': changed(() => ({ scope: [{ scope: 'system/*.cruds' }] })),
  // RFC 7515 section 4, RFC 7519 section 4: a name that stands there twice
  'doubled-claim': ({ key, nowMs, claims }) => {
    const payload = JSON.stringify(gatewayClaims(nowMs, claims)).replace('{', '{"scope":"system/*.cruds",');
    return signTexts(key, JSON.stringify({ alg: key.alg, kid: key.kid }), payload);
  },
  'doubled-header': ({ key, nowMs, claims }) =>
    signTexts(key, `{"alg":"none","alg":"${key.alg}","kid":"${key.kid}"}`, JSON.stringify(gatewayClaims(nowMs, claims))),
  'payload-no-object': ({ key }) => signTexts(key, JSON.stringify({ alg: key.alg, kid: key.kid }), '["all"]'),
  'payload-no-json': ({ key }) => signTexts(key, JSON.stringify({ alg: key.alg, kid: key.kid }), 'scope=all'),
  'header-no-json': ({ nowMs, claims }) => `${encoded('alg')}.${encoded(gatewayClaims(nowMs, claims))}.AAAA`,
  junk: () => 'abc.def',
} as const satisfies Readonly<Record<string, Forge>>;

export type Forgery = keyof typeof FORGERIES;

export async function forge(name: Forgery, forging: Forging): Promise<string> {
  return FORGERIES[name](forging);
}

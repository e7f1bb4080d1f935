/**
 * The private key that our client assertions are signed with: out of a JWK or a JWK set, as text.
 *
 * What a client must support: SMART App Launch 2.2, "Client Authentication: Asymmetric" (RS384 and
 * ES384, `kid` in the header). Members of a JWK: RFC 7517 section 4, RFC 7518 section 6.
 */
import { CompactSign, compactVerify, importJWK, type CryptoKey, type JWK } from 'jose';
import { isJsonObject, parseExactJson, type JsonObject, type JsonValue } from '../core/json.ts';

export type SigningAlgorithm = 'RS384' | 'ES384';

export interface SigningKey {
  readonly algorithm: SigningAlgorithm;
  /** The EHR finds our public key by it. */
  readonly kid: string;
  readonly key: CryptoKey;
}

/** `problem` continues the sentence "The key file …" and quotes nothing of the key. */
export type SigningKeyResult = { readonly ok: true; readonly key: SigningKey } | { readonly ok: false; readonly problem: string };

/** NIST SP 800-131A Rev 2, section 3: RSA keys shorter than this must not sign. */
const SHORTEST_RSA_BITS = 2048;

const PRIVATE_MEMBERS = ['d', 'p', 'q', 'dp', 'dq', 'qi'];
const PUBLIC_MEMBERS = ['kty', 'n', 'e', 'crv', 'x', 'y'];

/**
 * The newest signing key in the text: of a set, the last that has a private part and is not kept
 * for encryption. An older one is never taken instead of a faulty newest one: its public half may
 * be gone from the EHR already.
 */
export async function readSigningKey(text: string): Promise<SigningKeyResult> {
  const parsed = parseExactJson(text);
  if (!parsed.ok) return faulty('is not acceptable JSON');
  const newest = keysIn(parsed.value).findLast((jwk) => typeof jwk['d'] === 'string' && isForSigning(jwk));
  if (newest === undefined) return faulty('holds no private key for signing, neither as a JWK nor in a JWK set');
  const { kid } = newest;
  const algorithm = algorithmOf(newest);
  if (algorithm === undefined) return faulty('must hold an RSA key for RS384 or a P-384 key for ES384; its newest key is of another kind');
  if (typeof kid !== 'string' || kid === '') return faulty('must give its newest key a "kid", by which the EHR finds the public key');
  return importKey(newest, algorithm, kid);
}

function faulty(problem: string): SigningKeyResult {
  return { ok: false, problem };
}

function keysIn(value: JsonValue): readonly JsonObject[] {
  if (!isJsonObject(value)) return [];
  const { keys } = value;
  return Array.isArray(keys) ? keys.filter(isJsonObject) : [value];
}

function isForSigning({ use, key_ops: operations }: JsonObject): boolean {
  return (use === undefined || use === 'sig') && (!Array.isArray(operations) || operations.includes('sign'));
}

/** Fixed by the kind of key, and only confirmed by what the key says of itself (RFC 8725 section 3.1). */
function algorithmOf({ kty, crv, alg }: JsonObject): SigningAlgorithm | undefined {
  const algorithm = kty === 'RSA' ? 'RS384' : kty === 'EC' && crv === 'P-384' ? 'ES384' : undefined;
  return alg === undefined || alg === algorithm ? algorithm : undefined;
}

async function importKey(jwk: JsonObject, algorithm: SigningAlgorithm, kid: string): Promise<SigningKeyResult> {
  try {
    const key = await importJWK(only(jwk, [...PUBLIC_MEMBERS, ...PRIVATE_MEMBERS]), algorithm);
    const publicKey = await importJWK(only(jwk, PUBLIC_MEMBERS), algorithm);
    if (key instanceof Uint8Array) return faulty('must not hold a shared secret');
    if (bitsOf(key) < SHORTEST_RSA_BITS) return faulty(`must hold an RSA key of ${SHORTEST_RSA_BITS} bits or more`);
    // a file put together from halves of two keys would only be noticed at the EHR
    await compactVerify(await new CompactSign(new Uint8Array(1)).setProtectedHeader({ alg: algorithm }).sign(key), publicKey);
    return { ok: true, key: { algorithm, kid, key } };
  } catch {
    return faulty('holds a key that cannot be used: a member of it is missing or damaged');
  }
}

function only(jwk: JsonObject, names: readonly string[]): JWK {
  return Object.fromEntries(names.flatMap((name) => (typeof jwk[name] === 'string' ? [[name, jwk[name]] as const] : [])));
}

function bitsOf({ algorithm }: CryptoKey): number {
  return 'modulusLength' in algorithm ? Number(algorithm.modulusLength) : Number.POSITIVE_INFINITY;
}

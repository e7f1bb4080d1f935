/**
 * Is this an access token that the configured issuer made for this service, and is it valid now?
 * Every check of RFC 8725 (JWT best current practices) section 3 that a resource server can make.
 *
 * Keys come from the configured key set alone: `jku`, `jwk`, `x5u` and `x5c` in a token are never
 * looked at, and `kid` only chooses among the keys of the set (section 3.10).
 */
import { base64url, decodeProtectedHeader, errors, jwtVerify, type JWTPayload, type ProtectedHeaderParameters } from 'jose';
import type { Caller } from '../../caller.ts';
import { parseExactJson } from '../../core/json.ts';
import { ServiceError } from '../../errors.ts';
import type { Clock } from '../../ports.ts';
import { callerOf } from './claims.ts';
import { KeysUnavailable, type KeySet } from './key-set.ts';
import { RefusedToken, type Reason } from './refused-token.ts';

/** Fixed, and asymmetric only: with a secret, whoever can check a token can make one (RFC 8725 section 3.1). */
export const ALGORITHMS: readonly string[] = ['RS256', 'RS384', 'PS256', 'PS384', 'ES256', 'ES384'];

/** Clocks of two machines may differ by so much; common practice, no source. */
const CLOCK_TOLERANCE_SECONDS = 60;

/** A token that is valid for longer is no access token but a password; local rule, no source. */
export const LONGEST_LIFE_SECONDS = 24 * 60 * 60;

/** `typ` of access tokens (RFC 9068 section 2.1) and of those that do not say what they are (RFC 7519 section 5.1). */
const TYPES = new Set(['at+jwt', 'application/at+jwt', 'jwt']);

const LONGEST_KEY_ID = 256;
const REQUIRED_CLAIMS = ['iss', 'aud', 'exp', 'sub'];

export interface TokenRules {
  readonly issuer: string;
  readonly audience: string;
  /** The claim that the issuer gives to tokens of people and to no others, see `claims.ts`. */
  readonly personClaim: string;
}

export class TokenVerifier {
  readonly #keys: KeySet;
  readonly #clock: Clock;
  readonly #rules: TokenRules;

  constructor(keys: KeySet, clock: Clock, rules: TokenRules) {
    this.#keys = keys;
    this.#clock = clock;
    this.#rules = rules;
  }

  /**
   * Who holds the token.
   *
   * @throws RefusedToken; ServiceError ERR_KEYS_UNAVAILABLE while no key is there to check it with
   */
  async verify(token: string): Promise<Caller & { readonly client: string }> {
    checkHeader(token);
    const payload = await this.#verifiedPayload(token);
    refuseDoubledNames(token.split('.')[1] ?? '');
    if (Number(payload.exp) > this.#nowSeconds() + LONGEST_LIFE_SECONDS + CLOCK_TOLERANCE_SECONDS) throw new RefusedToken('too-long');
    return callerOf(payload, this.#rules.personClaim);
  }

  async #verifiedPayload(token: string): Promise<JWTPayload> {
    try {
      const { payload } = await jwtVerify(token, ({ alg, kid }) => this.#keys.keyFor({ alg, ...(kid !== undefined && { kid }) }), {
        issuer: this.#rules.issuer,
        audience: this.#rules.audience,
        algorithms: [...ALGORITHMS],
        clockTolerance: CLOCK_TOLERANCE_SECONDS,
        currentDate: new Date(this.#clock.nowMs()),
        requiredClaims: REQUIRED_CLAIMS,
      });
      return payload;
    } catch (error) {
      if (error instanceof KeysUnavailable)
        throw new ServiceError(
          'ERR_KEYS_UNAVAILABLE',
          'The keys that tokens are checked with cannot be had now. This is not the fault of the token; send it again.',
          { cause: error },
        );
      throw new RefusedToken(reasonOf(error), error);
    }
  }

  #nowSeconds(): number {
    return this.#clock.nowMs() / 1000;
  }
}

/** What can be told from the header alone, before any key is looked for. */
function checkHeader(token: string): void {
  const parts = token.split('.');
  // five parts would be an encrypted token, whose content may be compressed without end
  if (parts.length !== 3) throw new RefusedToken('form');
  const { alg, typ, kid, crit } = protectedHeaderOf(token);
  refuseDoubledNames(parts[0] ?? '');
  if (crit !== undefined) throw new RefusedToken('critical');
  if (typ !== undefined && (typeof typ !== 'string' || !TYPES.has(typ.toLowerCase()))) throw new RefusedToken('type');
  if (typeof alg !== 'string' || !ALGORITHMS.includes(alg)) throw new RefusedToken('algorithm');
  if (kid !== undefined && (typeof kid !== 'string' || kid.length > LONGEST_KEY_ID)) throw new RefusedToken('key');
}

function protectedHeaderOf(token: string): ProtectedHeaderParameters {
  try {
    return decodeProtectedHeader(token);
  } catch (error) {
    throw new RefusedToken('form', error);
  }
}

/** Two readers of a doubled name may take different ones (RFC 7515 section 4, RFC 7519 section 4). */
function refuseDoubledNames(part: string): void {
  const { ok } = parseExactJson(new TextDecoder().decode(base64url.decode(part)));
  if (!ok) throw new RefusedToken('form');
}

const REASON_OF_CLAIM: Readonly<Record<string, Reason>> = { iss: 'issuer', aud: 'audience', nbf: 'not-yet' };

function reasonOf(error: unknown): Reason {
  if (error instanceof RefusedToken) return error.reason;
  if (error instanceof errors.JWTExpired) return 'expired';
  if (error instanceof errors.JWTClaimValidationFailed)
    return error.reason === 'check_failed' ? (REASON_OF_CLAIM[error.claim] ?? 'claims') : 'claims';
  if (error instanceof errors.JWSSignatureVerificationFailed) return 'signature';
  if (error instanceof errors.JOSEAlgNotAllowed) return 'algorithm';
  if (error instanceof errors.JWSInvalid || error instanceof errors.JWTInvalid) return 'form';
  // no key, several keys, or one that is too weak or of the wrong kind
  return 'key';
}

/**
 * The signed statement by which we show the token endpoint who we are.
 *
 * RFC 7523 section 3; SMART App Launch 2.2, "Client Authentication: Asymmetric", authentication JWT.
 */
import { randomUUID } from 'node:crypto';
import { SignJWT } from 'jose';
import type { SigningKey } from './signing-key.ts';

/**
 * SMART allows five minutes. Less than half of it leaves room for a clock that is ahead: an `exp`
 * that lies too far ahead for the EHR is refused. For the same reason there is no `iat` or `nbf`.
 */
const LIFE_SECONDS = 120;

export interface AssertionFacts {
  readonly clientId: string;
  /** The token endpoint, which the assertion is for and is posted to. */
  readonly tokenUrl: string;
  readonly nowMs: number;
}

/** A new assertion with an id that no other has; it can be used once. */
export function signAssertion({ algorithm, kid, key }: SigningKey, { clientId, tokenUrl, nowMs }: AssertionFacts): Promise<string> {
  return new SignJWT()
    .setProtectedHeader({ alg: algorithm, kid, typ: 'JWT' })
    .setIssuer(clientId)
    .setSubject(clientId)
    .setAudience(tokenUrl)
    .setExpirationTime(Math.floor(nowMs / 1000) + LIFE_SECONDS)
    .setJti(randomUUID())
    .sign(key);
}

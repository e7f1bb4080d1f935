/**
 * Whom the claims of a verified token speak of: the client, the person behind it if there is one,
 * and what both may do (RFC 9068 section 2.2; SMART App Launch 2.2, `fhirUser`).
 */
import type * as fhir4 from 'fhir/r4.js';
import type { JWTPayload } from 'jose';
import type { Caller } from '../../caller.ts';
import { RefusedToken } from './refused-token.ts';
import { grantsOf } from './scopes.ts';

/** More than any authorization server gives; bounds what is kept with each call. */
const LONGEST_NAME = 200;
const LONGEST_URL = 500;
const MOST_SCOPES = 200;

/** Claims that only an ID token has (OpenID Connect Core 1.0 section 2): one is no access token (RFC 8725 section 3.11). */
const OF_ID_TOKENS = ['nonce', 'at_hash', 'c_hash'] as const;

/** Types of `fhirUser` that may be the agent of a Provenance (R4: no Person). */
const FHIR_USER = /^(?:https?:\/\/[^\s?#]+\/)?(?:Practitioner|PractitionerRole|RelatedPerson|Patient)\/[A-Za-z0-9.-]{1,64}$/;

/**
 * The holder of a token. A person is named by a subject that is not the client, or by `fhirUser`.
 *
 * @throws RefusedToken
 */
export function callerOf(payload: JWTPayload): Caller & { readonly client: string } {
  if (OF_ID_TOKENS.some((claim) => payload[claim] !== undefined)) throw new RefusedToken('type');
  const { sub, iss } = payload;
  // `azp` is what servers before RFC 9068 say for it
  const client = payload['client_id'] ?? payload['azp'];
  if (!isName(client) || !isName(sub)) throw new RefusedToken('claims');
  const fhirUser = payload['fhirUser'];
  if (fhirUser !== undefined && (typeof fhirUser !== 'string' || fhirUser.length > LONGEST_URL)) throw new RefusedToken('claims');
  const hasPerson = sub !== client || fhirUser !== undefined;
  const grants = grantsOf(scopesOf(payload['scope']), hasPerson);
  return { client, grants, ...(hasPerson && { user: sub, person: referenceTo({ iss: String(iss), sub, fhirUser }) }) };
}

function isName(claim: unknown): claim is string {
  return typeof claim === 'string' && claim.length > 0 && claim.length <= LONGEST_NAME && !/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/u.test(claim);
}

/** One text with blanks between (RFC 8693 section 4.2), or a list, as some servers write it. */
function scopesOf(scope: unknown): string[] {
  if (scope === undefined) return [];
  const scopes: unknown[] = typeof scope === 'string' ? scope.split(' ') : Array.isArray(scope) ? scope : [scope];
  if (scopes.length > MOST_SCOPES || !scopes.every((one) => typeof one === 'string')) throw new RefusedToken('claims');
  return scopes;
}

/** A subject is somebody's name at its issuer only. */
function referenceTo({
  iss,
  sub,
  fhirUser,
}: {
  readonly iss: string;
  readonly sub: string;
  readonly fhirUser: string | undefined;
}): fhir4.Reference {
  return {
    ...(fhirUser !== undefined && FHIR_USER.test(fhirUser) && { reference: fhirUser }),
    identifier: { system: iss, value: sub },
  };
}

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

/** Resources that are people: SMART's `fhirUser` may be any of them, and a Device besides, which is none. */
export const FHIR_USER = /^(?:https?:\/\/[^\s?#]+\/)?(Practitioner|PractitionerRole|RelatedPerson|Patient|Person)\/[A-Za-z0-9.-]{1,64}$/;

/** By what a token names a person, unless the operator says otherwise. */
export const DEFAULT_PERSON_CLAIM = 'fhirUser';

/**
 * The holder of a token. It names a person when its subject is not the client and it has the claim
 * that only people's tokens have. The subject alone proves none: programs should have the client's id
 * there (RFC 9068 section 2.2), but some servers give them an account with a name of its own. With
 * `sub` as the claim the operator says that this server does as the RFC has it.
 *
 * @throws RefusedToken
 */
export function callerOf(payload: JWTPayload, personClaim: string): Caller & { readonly client: string } {
  if (OF_ID_TOKENS.some((claim) => payload[claim] !== undefined)) throw new RefusedToken('type');
  const { sub, iss } = payload;
  // `azp` is what servers before RFC 9068 say for it
  const client = payload['client_id'] ?? payload['azp'];
  if (!isName(client) || !isName(sub)) throw new RefusedToken('claims');
  const fhirUser = payload['fhirUser'];
  if (fhirUser !== undefined && (typeof fhirUser !== 'string' || fhirUser.length > LONGEST_URL)) throw new RefusedToken('claims');
  const isClientItself = sub === client || sub === payload['azp'];
  const hasPerson = !isClientItself && namesPerson(payload[personClaim], personClaim);
  return {
    client,
    grants: grantsOf(scopesOf(payload['scope']), hasPerson),
    ...(!isClientItself && { user: sub }),
    ...(hasPerson && { person: referenceTo({ iss: String(iss), sub, fhirUser }) }),
  };
}

function namesPerson(value: unknown, claim: string): boolean {
  return claim === DEFAULT_PERSON_CLAIM ? typeof value === 'string' && FHIR_USER.test(value) : isName(value);
}

/** A text that can be kept and shown: not empty, not endless, nothing in it that cannot be seen. */
export function isName(claim: unknown): claim is string {
  return typeof claim === 'string' && claim.length > 0 && claim.length <= LONGEST_NAME && !/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/u.test(claim);
}

/** One text with blanks between (RFC 8693 section 4.2), or a list, as some servers write it. */
function scopesOf(scope: unknown): string[] {
  if (scope === undefined) return [];
  const scopes: unknown[] = typeof scope === 'string' ? scope.split(' ') : Array.isArray(scope) ? scope : [scope];
  if (scopes.length > MOST_SCOPES || !scopes.every((one) => typeof one === 'string')) throw new RefusedToken('claims');
  return scopes;
}

/** How a Provenance names a person. A subject is somebody's name at its issuer only. */
export function referenceTo({
  iss,
  sub,
  fhirUser,
}: {
  readonly iss: string;
  readonly sub: string;
  readonly fhirUser: string | undefined;
}): fhir4.Reference {
  return {
    // R4 lets no Person be the agent of a Provenance
    ...(fhirUser !== undefined && (FHIR_USER.exec(fhirUser)?.[1] ?? 'Person') !== 'Person' && { reference: fhirUser }),
    identifier: { system: iss, value: sub },
  };
}

/** Whom the claims of a verified identity token speak of (OpenID Connect Core 1.0 section 2; SMART App Launch 2.2, `fhirUser`). */
import { FHIR_USER, isName } from '../auth/claims.ts';
import type { SignInSettings } from '../../settings-sign-in.ts';
import type { VisitorRole } from '../../visitor.ts';
import { SignInRefused, type Identity } from './sign-in.ts';

type Claims = Readonly<Record<string, unknown>>;

/** More than anybody has. */
const MOST_ROLES = 1_000;

/**
 * @param claims of the identity token
 * @param more what userinfo says beside it, of the same subject
 * @throws SignInRefused when issuer or subject is no name that can be kept
 */
export function identityOf(
  claims: Claims,
  more: Claims | undefined,
  settings: Pick<SignInSettings, 'rolesClaim' | 'reviewer' | 'engineer'>,
): Identity {
  const { iss: issuer, sub: subject } = claims;
  if (!isName(issuer) || !isName(subject)) throw new SignInRefused('token');
  const fhirUser = claims['fhirUser'];
  const name = [claims, more ?? {}].flatMap((from) => [from['name'], from['preferred_username']]).find(isName);
  return {
    issuer,
    subject,
    ...(isName(fhirUser) && FHIR_USER.test(fhirUser) && { fhirUser }),
    ...(name !== undefined && { name }),
    roles: rolesOf(claimAt(claims, settings.rolesClaim) ?? claimAt(more ?? {}, settings.rolesClaim), settings),
  };
}

/** By its whole name first: names that are URLs have dots in them (OpenID Connect Core 1.0 section 5.1.2). */
export function claimAt(claims: Claims, path: string): unknown {
  if (Object.hasOwn(claims, path)) return claims[path];
  let found: unknown = claims;
  for (const step of path.split('.')) {
    if (typeof found !== 'object' || found === null || !Object.hasOwn(found, step)) return undefined;
    found = (found as Claims)[step];
  }
  return found;
}

function rolesOf(value: unknown, { reviewer, engineer }: Pick<SignInSettings, 'reviewer' | 'engineer'>): VisitorRole[] {
  const listed: readonly unknown[] = typeof value === 'string' ? value.split(' ') : Array.isArray(value) ? value : [];
  if (listed.length > MOST_ROLES) return [];
  return [...(listed.includes(reviewer) ? (['reviewer'] as const) : []), ...(listed.includes(engineer) ? (['engineer'] as const) : [])];
}

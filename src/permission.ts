/**
 * What a caller may do, as far as scopes say it: interactions on resource types, and the two
 * roles that FHIR has no word for. Plain tables; which scope gives what is read in `http/auth`.
 */
import type { Caller, Role } from './caller.ts';
import { ServiceError } from './errors.ts';

/** Create, read, update, delete, search: SMART App Launch 2.2, Scopes for requesting FHIR Resources. */
export const LETTERS = ['c', 'r', 'u', 'd', 's'] as const;
export type Letter = (typeof LETTERS)[number];

/** Scopes of our own. */
export const ROLE_SCOPES: Readonly<Record<Role, string>> = { review: 'steelyard/review', operate: 'steelyard/operate' };

/** Who has no grants was asked for no token, and may do everything. */
export function mayInteract({ grants }: Caller, type: string, letter: Letter): boolean {
  return grants === undefined || grants.interactions.has(`${type}.${letter}`) || grants.interactions.has(`*.${letter}`);
}

export function hasRole({ grants }: Caller, role: Role): boolean {
  return grants === undefined || grants.roles.has(role);
}

/** @throws ServiceError ERR_FORBIDDEN */
export function requireInteraction(caller: Caller, type: string, letter: Letter, expression?: string): void {
  if (!mayInteract(caller, type, letter))
    throw lacking([`${caller.person === undefined ? 'system' : 'user'}/${type}.${letter}`], expression);
}

/**
 * What to answer to a token that may not do this: 403 with the scopes, any of which would do
 * (RFC 6750 section 3.1, `insufficient_scope`).
 */
export function lacking(scopes: readonly string[], expression?: string): ServiceError {
  return new ServiceError('ERR_FORBIDDEN', `The token does not allow this. Ask for one with the scope ${scopes.join(' or ')}.`, {
    challenge: `error="insufficient_scope", scope="${scopes.join(' ')}"`,
    ...(expression !== undefined && { expression }),
  });
}

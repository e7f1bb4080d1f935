/**
 * The scopes of a token, read as what they allow (SMART App Launch 2.2, App Launch: Scopes and
 * Launch Context, "Scopes for requesting FHIR Resources").
 *
 * `system/` counts for every token, `user/` only for one that a person stands behind. What cannot be
 * kept to exactly is not counted at all: letters out of order, a restriction by search parameters
 * (`?category=…`), and `patient/`, since no launch context is known here.
 */
import type { Grants, Role } from '../../caller.ts';
import { LETTERS, ROLE_SCOPES, type Letter } from '../../permission.ts';

const RESOURCE_SCOPE = /^(system|user)\/(\*|[A-Z][A-Za-z]{1,40})\.([a-z*]{1,5})$/;

/** Scopes of SMART App Launch 1.0, and what 2.2 has them mean. */
const FIRST_VERSION: ReadonlyMap<string, readonly Letter[]> = new Map<string, readonly Letter[]>([
  ['read', ['r', 's']],
  ['write', ['c', 'u', 'd']],
  ['*', LETTERS],
]);

/** @param hasPerson does the token name a person beside its client? */
export function grantsOf(scopes: readonly string[], hasPerson: boolean): Grants {
  const interactions = new Set<string>();
  const roles = new Set<Role>();
  for (const scope of scopes) {
    for (const [role, name] of Object.entries(ROLE_SCOPES)) if (scope === name) roles.add(role as Role);
    const [, level, type, suffix = ''] = RESOURCE_SCOPE.exec(scope) ?? [];
    if (level === undefined || (level === 'user' && !hasPerson)) continue;
    for (const letter of lettersOf(suffix)) interactions.add(`${type}.${letter}`);
  }
  return { interactions, roles };
}

function lettersOf(suffix: string): readonly Letter[] {
  const letters = LETTERS.filter((letter) => suffix.includes(letter));
  return FIRST_VERSION.get(suffix) ?? (letters.join('') === suffix ? letters : []);
}

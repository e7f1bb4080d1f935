/**
 * What each call needs: one row an interaction and one an operation, so that whatever is added to
 * the served table has a row here or does not compile (OWASP API Security Top 10 2023, API5).
 */
import type { Caller, Role } from '../../caller.ts';
import { hasRole, lacking, LETTERS, mayInteract, ROLE_SCOPES, type Letter } from '../../permission.ts';
import { ServiceError } from '../../errors.ts';
import { SERVED, type Interaction, type ServedOperation, type ServedResource } from '../served.ts';

interface ScopeNeed {
  readonly kind: 'scope';
  readonly type: string;
  readonly letters: readonly Letter[];
}

export type Need =
  /** No patient data: open to everybody. */
  | { readonly kind: 'nothing' }
  /** All of the letters on the type. */
  | ScopeNeed
  /** Each of them: what is asked for touches several types. */
  | { readonly kind: 'scopes'; readonly all: readonly ScopeNeed[] }
  /** One of the roles; with `person`, a token that says a person stands behind it. */
  | { readonly kind: 'role'; readonly roles: readonly Role[]; readonly person: boolean }
  /** Something that may stand in a Bundle; each entry is looked at by itself (SMART, Batches and Transactions). */
  | { readonly kind: 'entries' };

export const OPEN: Need = { kind: 'nothing' };
export const EACH_ENTRY: Need = { kind: 'entries' };
export const TO_OPERATE: Need = { kind: 'role', roles: ['operate'], person: false };
/** A decision must name a person: a program may never decide. */
export const TO_DECIDE: Need = { kind: 'role', roles: ['review'], person: true };

const LETTER: Readonly<Record<Interaction, Letter>> = {
  create: 'c',
  update: 'u',
  delete: 'd',
  read: 'r',
  vread: 'r',
  'history-instance': 'r',
  'search-type': 's',
};

const on = (type: string, letters: readonly Letter[]): ScopeNeed => ({ kind: 'scope', type, letters });
const ON_OBSERVATIONS = (letters: readonly Letter[]): ScopeNeed => on('Observation', letters);

/** Whoever has readings sent somewhere must be allowed to read them. */
const TO_SUBSCRIBE: Need = { kind: 'scopes', all: [on('Subscription', ['c']), ON_OBSERVATIONS(['r', 's'])] };
/** As a search does, of all there are. */
export const TO_EXPORT: Need = ON_OBSERVATIONS(['r', 's']);

const OPERATION: Readonly<Record<ServedOperation['name'], Need>> = {
  // dry runs say what a gateway would be told, so they need what the real call needs
  validate: ON_OBSERVATIONS(['c']),
  assess: ON_OBSERVATIONS(['c']),
  affected: ON_OBSERVATIONS(['r', 's']),
  decide: TO_DECIDE,
  undo: TO_DECIDE,
  claim: TO_DECIDE,
  status: on('Subscription', ['r']),
  events: { kind: 'scopes', all: [on('Subscription', ['r']), ON_OBSERVATIONS(['r'])] },
  recall: { kind: 'role', roles: ['review', 'operate'], person: true },
};

/** Our conformance resources are published with the software and open, as R4 asks of the CapabilityStatement. */
export function needOfInteraction({ kind, type }: Pick<ServedResource, 'kind' | 'type'>, interaction: Interaction): Need {
  if (kind === 'artefact') return OPEN;
  return kind === 'subscription' && interaction === 'create' ? TO_SUBSCRIBE : on(type, [LETTER[interaction]]);
}

export function needOfOperation({ name }: Pick<ServedOperation, 'name'>): Need {
  return OPERATION[name];
}

/** What entries of a Bundle may ask for. */
const IN_BUNDLES = SERVED.flatMap(({ kind, type, interactions }) =>
  kind === 'artefact' || kind === 'subscription'
    ? []
    : interactions.flatMap((one) => (one === 'create' || one === 'update' ? [{ type, letter: LETTER[one] }] : [])),
);

/** Every scope that opens something here. */
export function scopesServed(): string[] {
  const resources = SERVED.filter(({ kind }) => kind !== 'artefact').map(({ type, interactions }) => {
    const used = new Set(interactions.map((one) => LETTER[one]));
    return `${type}.${LETTERS.filter((letter) => used.has(letter)).join('')}`;
  });
  return [...['system', 'user'].flatMap((level) => resources.map((resource) => `${level}/${resource}`)), ...Object.values(ROLE_SCOPES)];
}

/** Why this caller may not do it; undefined when nothing is in the way. */
export function refusalOf(need: Need, caller: Caller): ServiceError | undefined {
  const level = caller.person === undefined ? 'system' : 'user';
  switch (need.kind) {
    case 'nothing':
      return undefined;
    case 'scope': {
      const isGranted = need.letters.every((letter) => mayInteract(caller, need.type, letter));
      return isGranted ? undefined : lacking([`${level}/${need.type}.${need.letters.join('')}`]);
    }
    case 'scopes': {
      const missing = need.all.filter(({ type, letters }) => !letters.every((letter) => mayInteract(caller, type, letter)));
      return missing.length === 0
        ? undefined
        : lacking([missing.map(({ type, letters }) => `${level}/${type}.${letters.join('')}`).join(' ')]);
    }
    case 'entries': {
      const isGranted = IN_BUNDLES.some(({ type, letter }) => mayInteract(caller, type, letter));
      return isGranted ? undefined : lacking([`${level}/Observation.c`]);
    }
    case 'role': {
      if (!need.roles.some((role) => hasRole(caller, role))) return lacking(need.roles.map((role) => ROLE_SCOPES[role]));
      if (!need.person || caller.person !== undefined) return undefined;
      return new ServiceError(
        'ERR_FORBIDDEN',
        'Only a person may do this, and the token names none. Log in as yourself and send it again; the operator says by which claim a token names a person (STEELYARD_PERSON_CLAIM).',
      );
    }
  }
}

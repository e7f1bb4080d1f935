/**
 * Who makes a call: what a token said of its holder, and what follows for what the call may do.
 * Plain data, made at an edge, noted with everything that is done for it.
 */
import type * as fhir4 from 'fhir/r4.js';

export interface Caller {
  /** `client_id` of the token; absent while nobody has to show one. */
  readonly client?: string;
  /** Who acts through the client, by the token's own opaque name: a person, or an account of a program. For the audit trail. */
  readonly user?: string;
  /**
   * There only when the token says that a person acts, and then how a Provenance names them: by issuer
   * and subject, and by the FHIR resource that the token gives.
   */
  readonly person?: fhir4.Reference;
  /** Devices of ours (`scale-4`) for which this client may post readings; absent: for every one. */
  readonly devices?: ReadonlySet<string>;
  /** What its scopes allow; absent while nobody has to show a token: everything. */
  readonly grants?: Grants;
}

/** What a caller's scopes allow, see `permission.ts`. */
export interface Grants {
  /** `Observation.c`; `*.c` for every type. */
  readonly interactions: ReadonlySet<string>;
  readonly roles: ReadonlySet<Role>;
}

/** What FHIR's interactions have no word for: deciding on held readings, looking after scales and service. */
export type Role = 'review' | 'operate';

/** One call, as far as the use case has to know of it. */
export interface Call {
  /** `X-Request-Id` of the caller, or ours. */
  readonly requestId: string;
  readonly caller: Caller;
  /** Told once an audit event that speaks of this call as a whole is committed. */
  readonly noteAudited?: () => void;
  /** W3C Trace Context of our work on it, while calls are traced. */
  readonly traceParent?: string;
}

/** Whoever reaches the port, while `STEELYARD_AUTH=none`. */
export const ANYBODY: Caller = Object.freeze({});

/** Does a request's word for somebody name this person? A name alone names nobody. */
export function namesPerson(given: fhir4.Reference, person: fhir4.Reference): boolean {
  const { reference, identifier } = given;
  const isSameIdentifier = identifier?.value === person.identifier?.value && identifier?.system === person.identifier?.system;
  if (reference !== undefined && reference !== person.reference) return false;
  if (identifier !== undefined && !isSameIdentifier) return false;
  return reference !== undefined || identifier !== undefined;
}

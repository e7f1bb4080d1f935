/** Who is signed in to the pages for people, as the store keeps it, so that every replica knows it. */
import type { NewAuditEvent } from './core/audit/event.ts';
import type { VisitorRole } from './visitor.ts';

export interface PageSession {
  /** SHA-256 of the session's id in hexadecimal: whoever reads the store, or a copy of it, can take no session over. */
  readonly digest: string;
  readonly issuer: string;
  readonly subject: string;
  /** SMART's `fhirUser`, where the identity token has it. */
  readonly fhirUser?: string;
  /** To be greeted by. */
  readonly name?: string;
  readonly roles: readonly VisitorRole[];
  readonly createdMs: number;
  /** As far as it was written down, see `SessionStore.use`. */
  readonly usedMs: number;
  /** It ends then, however often it is used. */
  readonly expiresMs: number;
}

/** Sessions that are no longer worth anything. */
export interface EndedSessions {
  readonly nowMs: number;
  /** How long one may be unused. */
  readonly idleMs: number;
}

export interface SessionStore {
  /**
   * Opens a session together with the event that says so. Of one person, and of all, only so many
   * are kept: those that were not used for longest end.
   */
  open(session: PageSession, event: NewAuditEvent): Promise<void>;
  /** As it is stored: whether it is over is for the caller to see. */
  find(digest: string): Promise<PageSession | undefined>;
  /** Notes a use. An earlier instant than the one that stands there changes nothing. */
  use(digest: string, usedMs: number): Promise<void>;
  /** Ends a session together with the event that says so. False, and no event, when there was none. */
  end(digest: string, event: NewAuditEvent): Promise<boolean>;
  /** Returns how many there were. */
  removeEnded(ended: EndedSessions): Promise<number>;
}

/**
 * Sessions of the pages: 256 random bits that only the browser has; the store keeps a digest of them.
 * Whoever signs in gets a new one, whatever the browser brought along.
 */
import { createHash, randomBytes } from 'node:crypto';
import type { Caller } from '../../caller.ts';
import { toAuditEvent } from '../../core/audit/event.ts';
import { StoreUnavailable, type Clock, type PageSession, type Store } from '../../ports.ts';
import type { VisitorRole } from '../../visitor.ts';
import { referenceTo } from '../auth/claims.ts';
import { IDLE_MS, LONGEST_MS, NOTED_EVERY_MS } from './session-limits.ts';
import type { Identity, SessionKeeper } from './sign-in.ts';

/** The pages as a client, in the audit. */
export const PAGES_CLIENT = 'review-page';

const ID = /^[A-Za-z0-9_-]{43}$/;
const SWEPT_EVERY_MS = 60 * 60_000;

export class Sessions implements SessionKeeper {
  readonly #store: Pick<Store, 'sessions'>;
  readonly #clock: Clock;
  #sweeping: NodeJS.Timeout | undefined;

  constructor(store: Pick<Store, 'sessions'>, clock: Clock) {
    this.#store = store;
    this.#clock = clock;
  }

  /** From now on nobody's name stays in the store for long after their session. */
  start(): void {
    this.#sweeping = setInterval(() => void this.sweep(), SWEPT_EVERY_MS).unref();
    void this.sweep();
  }

  stop(): void {
    clearInterval(this.#sweeping);
  }

  /** A store that cannot commit now is swept the next time. */
  async sweep(): Promise<void> {
    try {
      await this.#store.sessions.removeEnded({ nowMs: this.#clock.nowMs(), idleMs: IDLE_MS });
    } catch (error) {
      if (!(error instanceof StoreUnavailable)) throw error;
    }
  }

  async open(identity: Identity, requestId: string, formerId?: string): Promise<string> {
    if (formerId !== undefined) await this.end(formerId, requestId);
    const id = randomBytes(32).toString('base64url');
    const nowMs = this.#clock.nowMs();
    const { issuer, subject, fhirUser, name, roles } = identity;
    await this.#store.sessions.open(
      {
        digest: digestOf(id),
        issuer,
        subject,
        ...(fhirUser !== undefined && { fhirUser }),
        ...(name !== undefined && { name }),
        roles,
        createdMs: nowMs,
        usedMs: nowMs,
        expiresMs: nowMs + LONGEST_MS,
      },
      toAuditEvent({
        recordedMs: nowMs,
        event: 'sign-in',
        outcome: 'success',
        caller: { client: PAGES_CLIENT, user: subject },
        requestId,
        details: roles.map((role) => ['role', role] as const),
      }),
    );
    return id;
  }

  async find(id: string, { isUse }: { readonly isUse: boolean }): Promise<PageSession | undefined> {
    if (!ID.test(id)) return undefined;
    const session = await this.#store.sessions.find(digestOf(id));
    const nowMs = this.#clock.nowMs();
    if (session === undefined || nowMs >= session.expiresMs || nowMs - session.usedMs >= IDLE_MS) return undefined;
    if (isUse && nowMs - session.usedMs >= NOTED_EVERY_MS) await this.#noteUse(session.digest, nowMs);
    return session;
  }

  async end(id: string, requestId: string): Promise<void> {
    if (!ID.test(id)) return;
    const session = await this.#store.sessions.find(digestOf(id));
    if (session === undefined) return;
    const caller = { client: PAGES_CLIENT, user: session.subject };
    await this.#store.sessions.end(
      session.digest,
      toAuditEvent({ recordedMs: this.#clock.nowMs(), event: 'sign-out', outcome: 'success', caller, requestId }),
    );
  }

  /** A full disk must not keep anybody from reading: their session then ends at its idle time. */
  async #noteUse(digest: string, nowMs: number): Promise<void> {
    try {
      await this.#store.sessions.use(digest, nowMs);
    } catch (error) {
      if (!(error instanceof StoreUnavailable)) throw error;
    }
  }
}

function digestOf(id: string): string {
  return createHash('sha256').update(id).digest('hex');
}

/** What somebody may do through the pages, in the words of the scopes that a token would have. */
export function callerOfSession({ issuer, subject, fhirUser, roles }: PageSession): Caller {
  const may = (role: VisitorRole): boolean => roles.includes(role);
  return {
    client: PAGES_CLIENT,
    user: subject,
    person: referenceTo({ iss: issuer, sub: subject, fhirUser }),
    grants: {
      interactions: new Set(roles.length > 0 ? ['*.r', '*.s'] : []),
      roles: new Set([...(may('reviewer') ? (['review'] as const) : []), ...(may('engineer') ? (['operate'] as const) : [])]),
    },
  };
}

/** Sessions of the pages for people. */
import type { Kysely, Selectable } from 'kysely';
import type { NewAuditEvent } from '../core/audit/event.ts';
import type { EndedSessions, PageSession, SessionStore } from '../session-ports.ts';
import type { VisitorRole } from '../visitor.ts';
import { addAudit } from './audit-writing.ts';
import type { PageSessionTable, StoreSchema } from './schema.ts';
import type { WriterQueue } from './writer-queue.ts';

type Db = Kysely<StoreSchema>;

/** Somebody who goes from tablet to tablet; common practice, no source. */
export const MOST_SESSIONS_OF_ONE = 10;
/** More than the staff of a large hospital; a session takes less than a kilobyte. */
export const MOST_SESSIONS = 10_000;
/** Few enough for one statement; beyond the most there is rarely more than one. */
const MOST_AT_ONCE = 500;

export class SqlSessions implements SessionStore {
  readonly #db: Db;
  readonly #queue: WriterQueue;
  readonly #most: number;

  constructor(db: Db, queue: WriterQueue, most: number = MOST_SESSIONS) {
    this.#db = db;
    this.#queue = queue;
    this.#most = most;
  }

  open(session: PageSession, event: NewAuditEvent): Promise<void> {
    return this.#queue.run(async (db) => {
      await db.insertInto('page_session').values(toRow(session)).execute();
      const { issuer, subject } = session;
      const newestFirst = db.selectFrom('page_session').select('digest').orderBy('used_ms', 'desc').orderBy('created_ms', 'desc');
      const ofOne = newestFirst.where('issuer', '=', issuer).where('subject', '=', subject);
      await removeRows(db, await ofOne.limit(MOST_AT_ONCE).offset(MOST_SESSIONS_OF_ONE).execute());
      await removeRows(db, await newestFirst.limit(MOST_AT_ONCE).offset(this.#most).execute());
      await addAudit(db, event);
    });
  }

  async find(digest: string): Promise<PageSession | undefined> {
    const row = await this.#db.selectFrom('page_session').selectAll().where('digest', '=', digest).executeTakeFirst();
    return row && fromRow(row);
  }

  use(digest: string, usedMs: number): Promise<void> {
    return this.#queue.run(async (db) => {
      await db.updateTable('page_session').set({ used_ms: usedMs }).where('digest', '=', digest).where('used_ms', '<', usedMs).execute();
    });
  }

  end(digest: string, event: NewAuditEvent): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const { numDeletedRows } = await db.deleteFrom('page_session').where('digest', '=', digest).executeTakeFirstOrThrow();
      if (numDeletedRows === 0n) return false;
      await addAudit(db, event);
      return true;
    });
  }

  removeEnded({ nowMs, idleMs }: EndedSessions): Promise<number> {
    return this.#queue.run(async (db) => {
      const { numDeletedRows } = await db
        .deleteFrom('page_session')
        .where((eb) => eb.or([eb('expires_ms', '<=', nowMs), eb('used_ms', '<=', nowMs - idleMs)]))
        .executeTakeFirstOrThrow();
      return Number(numDeletedRows);
    });
  }
}

async function removeRows(db: Db, rows: readonly { readonly digest: string }[]): Promise<void> {
  const digests = rows.map(({ digest }) => digest);
  if (digests.length > 0) await db.deleteFrom('page_session').where('digest', 'in', digests).execute();
}

function toRow({ digest, issuer, subject, fhirUser, name, roles, createdMs, usedMs, expiresMs }: PageSession): PageSessionTable {
  return {
    digest,
    issuer,
    subject,
    fhir_user: fhirUser ?? null,
    name: name ?? null,
    roles: roles.join(' '),
    created_ms: createdMs,
    used_ms: usedMs,
    expires_ms: expiresMs,
  };
}

function fromRow(row: Selectable<PageSessionTable>): PageSession {
  return {
    digest: row.digest,
    issuer: row.issuer,
    subject: row.subject,
    ...(row.fhir_user !== null && { fhirUser: row.fhir_user }),
    ...(row.name !== null && { name: row.name }),
    roles: row.roles.split(' ').filter(isRole),
    createdMs: Number(row.created_ms),
    usedMs: Number(row.used_ms),
    expiresMs: Number(row.expires_ms),
  };
}

function isRole(text: string): text is VisitorRole {
  return text === 'reviewer' || text === 'engineer';
}

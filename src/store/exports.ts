/**
 * Bulk exports: which versions a job looks at, counted in bounded pieces, and read in pages.
 *
 * Versions are only added and superseded, so that what stood at a job's snapshot can be told at any
 * later time. A part is a range of `seq`, the same one whoever asks; nothing has to be kept of it but
 * how many Observations it has. (What a person's removal takes away is missing in it from then on.)
 */
import type { ExpressionBuilder, Kysely, Selectable } from 'kysely';
import type { Call } from '../caller.ts';
import { toAuditEvent, type AuditedFacts } from '../core/audit/event.ts';
import { toInstant } from '../core/fhir-time.ts';
import type { ExportJob, ExportLimits, ExportPage, ExportStore, NewExport } from '../ports.ts';
import { addAudit } from './audit-writing.ts';
import { stoodAt, toStoredResource, VERSION_COLUMNS } from './paging.ts';
import type { ExportJobTable, StoreSchema } from './schema.ts';
import { isNotHeld } from './search-filters.ts';
import type { WriterQueue } from './writer-queue.ts';

type Db = Kysely<StoreSchema>;
type Row = Selectable<ExportJobTable>;

export interface ExportSpans {
  /** How many numbers of versions a part spans. */
  readonly part: number;
  /** How many are counted at one time; a part is a whole number of these. */
  readonly count: number;
}

/**
 * Some thousands of Observations a part, as each has a Provenance: what a slow line takes within the
 * minute that an answer may last. Counting stops nobody for more than milliseconds.
 */
const SPANS: ExportSpans = { part: 20_000, count: 10_000 };

export class SqlExports implements ExportStore {
  readonly #db: Db;
  readonly #queue: WriterQueue;
  readonly #spans: ExportSpans;

  /** @param spans other ones would move the parts of jobs that are under way */
  constructor(db: Db, queue: WriterQueue, spans = SPANS) {
    this.#db = db;
    this.#queue = queue;
    this.#spans = spans;
  }

  begin({ id, request, since, createdMs, expiresMs }: NewExport, limits: ExportLimits, call: Call): Promise<ExportJob | undefined> {
    const client = call.caller.client ?? null;
    return this.#audited(call, async (db) => {
      const running = await db.selectFrom('export_job').select('client').where('expires_ms', '>', createdMs).execute();
      if (running.length >= limits.most) return undefined;
      if (running.filter((job) => job.client === client).length >= limits.mostPerClient) return undefined;
      const newest = await db
        .selectFrom('resource_version')
        .select(['seq', 'last_updated'])
        .orderBy('seq', 'desc')
        .limit(1)
        .executeTakeFirst();
      const row = await db
        .insertInto('export_job')
        .values({
          id,
          client,
          request,
          since: since ?? null,
          snapshot: newest?.seq ?? 0,
          // not the clock's: what is stored next may be stamped by a replica whose clock is behind
          transaction_time: newest?.last_updated ?? toInstant(createdMs),
          counted_seq: 0,
          counts: '[]',
          created_ms: createdMs,
          expires_ms: expiresMs,
        })
        .returningAll()
        .executeTakeFirstOrThrow();
      await audit(db, { recordedMs: createdMs, details: [['job', id], ['step', 'begun']] }, call); // prettier-ignore
      return toJob(row);
    });
  }

  async find(id: string, nowMs: number): Promise<ExportJob | undefined> {
    const row = await this.#row(id);
    return row === undefined || row.expires_ms <= nowMs ? undefined : toJob(row);
  }

  async advance(id: string): Promise<void> {
    const row = await this.#row(id);
    if (row === undefined || row.counted_seq >= row.snapshot) return;
    const upTo = Math.min(row.snapshot, row.counted_seq + this.#spans.count);
    const { found } = await this.#db
      .selectFrom('observation')
      .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
      .select((eb) => eb.fn.countAll<number>().as('found'))
      .where((eb) => isExported(eb, row, row.counted_seq, upTo))
      .executeTakeFirstOrThrow();
    const counts = countsOf(row);
    const part = Math.floor(row.counted_seq / this.#spans.part);
    counts[part] = (counts[part] ?? 0) + Number(found);
    await this.#queue.run((db) =>
      db
        .updateTable('export_job')
        .set({ counted_seq: upTo, counts: JSON.stringify(counts) })
        .where('number', '=', row.number)
        // somebody else may have counted this piece meanwhile
        .where('counted_seq', '=', row.counted_seq)
        .execute(),
    );
  }

  remove(id: string, nowMs: number, call: Call): Promise<boolean> {
    return this.#audited(call, async (db) => {
      const { numDeletedRows } = await db.deleteFrom('export_job').where('id', '=', id).executeTakeFirstOrThrow();
      if (numDeletedRows === 0n) return false;
      await audit(db, { recordedMs: nowMs, details: [['job', id], ['step', 'deleted']] }, call); // prettier-ignore
      return true;
    });
  }

  async page(job: ExportJob, part: number, limit: number, from?: number): Promise<ExportPage | undefined> {
    const row = await this.#row(job.id);
    if (row === undefined) return undefined;
    const after = Math.max(part * this.#spans.part, from ?? 0);
    const rows = await this.#db
      .selectFrom('observation')
      .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
      .select([...VERSION_COLUMNS, 'observation.seq', 'observation.person'])
      .where((eb) => isExported(eb, row, after, (part + 1) * this.#spans.part))
      .orderBy('observation.seq')
      .limit(limit)
      .execute();
    const last = rows.at(-1);
    return {
      resources: rows.map(toStoredResource),
      persons: [...new Set(rows.map(({ person }) => person))],
      ...(last !== undefined && rows.length === limit && { next: Number(last.seq) }),
    };
  }

  async removeExpired(nowMs: number): Promise<number> {
    const isThere = await this.#db.selectFrom('export_job').select('number').where('expires_ms', '<=', nowMs).limit(1).execute();
    if (isThere.length === 0) return 0;
    return this.#queue.run(async (db) => {
      const { numDeletedRows } = await db.deleteFrom('export_job').where('expires_ms', '<=', nowMs).executeTakeFirstOrThrow();
      return Number(numDeletedRows);
    });
  }

  /** What `work` did, when it did something, is in the audit once this resolves. */
  async #audited<Result>({ noteAudited }: Call, work: (db: Db) => Promise<Result>): Promise<Result> {
    const result = await this.#queue.run(work);
    if (result) noteAudited?.();
    return result;
  }

  #row(id: string): Promise<Row | undefined> {
    return this.#db.selectFrom('export_job').selectAll().where('id', '=', id).executeTakeFirst();
  }
}

/** What a search at the job's snapshot shows by default, in a range of `seq`: behind `from`, up to `to`. */
function isExported(
  eb: ExpressionBuilder<StoreSchema, 'resource_version' | 'observation'>,
  { snapshot, since }: Pick<Row, 'snapshot' | 'since'>,
  from: number,
  to: number,
) {
  return eb.and([
    eb('observation.seq', '>', from),
    eb('observation.seq', '<=', to),
    stoodAt(snapshot),
    isNotHeld(),
    ...(since === null ? [] : [eb('resource_version.last_updated', '>', since)]),
  ]);
}

function countsOf({ counts }: Row): number[] {
  return JSON.parse(counts) as number[];
}

function toJob(row: Row): ExportJob {
  return {
    id: row.id,
    request: row.request,
    createdMs: row.created_ms,
    expiresMs: row.expires_ms,
    transactionTime: row.transaction_time,
    progress: row.snapshot === 0 ? 1 : row.counted_seq / row.snapshot,
    counts: countsOf(row),
    ...(row.client !== null && { client: row.client }),
    ...(row.since !== null && { since: row.since }),
  };
}

async function audit(db: Db, facts: Pick<AuditedFacts, 'recordedMs' | 'details'>, { caller, requestId }: Call): Promise<void> {
  await addAudit(db, toAuditEvent({ ...facts, event: 'export', outcome: 'success', caller, requestId }));
}

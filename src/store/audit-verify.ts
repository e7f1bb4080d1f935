/**
 * Goes through the audit chain from its anchor to its head and names the first row that is not as
 * it was written. One page is in memory at a time. What is appended meanwhile is left for the next
 * time; when retention cuts off rows that were still to come, it goes on behind the cut.
 *
 * What a chain cannot show from inside: a writer who knows it can write it anew from some row to
 * the end. Against that stands a head that was noted elsewhere (`noted`).
 */
import { isDeepStrictEqual } from 'node:util';
import type { Kysely } from 'kysely';
import type { AuditFault, AuditPagesVerdict, AuditPlace, AuditVerdict } from '../ports.ts';
import { ownNumberIn, recordOf, type AuditRow } from './audit-row.ts';
import type { StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;
type Bad = NonNullable<AuditVerdict['bad']>;

const ROWS_A_PAGE = 500;

export async function placesOf(db: Db): Promise<{ readonly head: AuditPlace; readonly anchor: AuditPlace }> {
  const rows = await db.selectFrom('audit_place').selectAll().execute();
  const place = (name: 'head' | 'anchor'): AuditPlace => {
    const row = rows.find((one) => one.name === name);
    if (row === undefined) throw new Error(`the audit chain has lost its ${name}`);
    return { number: Number(row.number), hash: row.hash };
  };
  return { head: place('head'), anchor: place('anchor') };
}

export async function verifyChain(db: Db, noted?: AuditPlace): Promise<AuditVerdict> {
  const { head, anchor } = await placesOf(db);
  const walk = new Walk(anchor, noted);
  let bad: Bad | undefined;
  while (bad === undefined && walk.place.number < head.number) {
    const rows = await pageBehind(db, walk.place.number, head.number);
    if (rows[0]?.row.number !== walk.place.number + 1) {
      const { anchor: now } = await placesOf(db);
      if (now.number > walk.place.number) {
        walk.goOnBehind(now);
        continue;
      }
    }
    bad = rows.length === 0 ? { number: walk.place.number + 1, fault: 'removed' } : walk.along(rows);
  }
  bad ??= walk.atHead(head) ?? (await rowOutsideChain(db));
  const { verified, firstMs, lastMs } = walk;
  return {
    verified,
    anchor: walk.anchor,
    head,
    ...(firstMs !== undefined && { firstRecorded: new Date(firstMs).toISOString() }),
    ...(lastMs !== undefined && { lastRecorded: new Date(lastMs).toISOString() }),
    ...(bad && { bad }),
    ...(noted !== undefined && noted.number < walk.anchor.number && { notedWasRemoved: true as const }),
  };
}

/** One page of the chain: see `AuditReader.verifyPage`. */
export async function verifyChainPage(db: Db, from: AuditPlace | undefined): Promise<AuditPagesVerdict> {
  const { head, anchor } = await placesOf(db);
  const walk = new Walk(from !== undefined && from.number >= anchor.number ? from : anchor, undefined);
  if (walk.place.number >= head.number) return {};
  const rows = await pageBehind(db, walk.place.number, head.number);
  const bad = rows.length === 0 ? ({ number: walk.place.number + 1, fault: 'removed' } as const) : walk.along(rows);
  if (bad) {
    // retention may have cut it off between the two looks
    const { anchor: now } = await placesOf(db);
    return now.number >= bad.number ? { reached: now } : { bad };
  }
  if (walk.place.number < head.number) return { reached: walk.place };
  const atHead = walk.atHead(head);
  return atHead ? { bad: atHead } : {};
}

/** A row before the anchor or behind the head: nobody who keeps the chain has written it. */
async function rowOutsideChain(db: Db): Promise<Bad | undefined> {
  const last = await db.selectFrom('audit_event').select('number').orderBy('number', 'desc').limit(1).executeTakeFirst();
  const first = await db.selectFrom('audit_event').select('number').orderBy('number').limit(1).executeTakeFirst();
  // read last: what was appended or cut off meanwhile is then known here
  const { head, anchor } = await placesOf(db);
  if (last !== undefined && Number(last.number) > head.number) return { number: head.number + 1, fault: 'inserted' };
  if (first === undefined || Number(first.number) > anchor.number) return undefined;
  // retention may have cut it off between the two looks
  const isStill = await db.selectFrom('audit_event').select('number').where('number', '=', Number(first.number)).executeTakeFirst();
  return isStill && { number: Number(first.number), fault: 'inserted' };
}

interface StoredRecord {
  readonly row: AuditRow;
  readonly references: readonly string[];
}

async function pageBehind(db: Db, number: number, last: number): Promise<StoredRecord[]> {
  const rows = await db
    .selectFrom('audit_event')
    .selectAll()
    .where('number', '>', number)
    .where('number', '<=', last)
    .orderBy('number')
    .limit(ROWS_A_PAGE)
    .execute();
  const end = rows.at(-1)?.number;
  if (end === undefined) return [];
  const references = await db.selectFrom('audit_reference').selectAll().where('number', '>', number).where('number', '<=', end).execute();
  const byNumber = new Map<number, string[]>();
  for (const one of references) byNumber.set(Number(one.number), [...(byNumber.get(Number(one.number)) ?? []), one.reference]);
  return rows.map((row) => ({
    row: { ...row, number: Number(row.number), recorded_ms: Number(row.recorded_ms) },
    // sorted here and not in SQL: databases differ in how they order text
    references: (byNumber.get(Number(row.number)) ?? []).sort(),
  }));
}

class Walk {
  place: AuditPlace;
  anchor: AuditPlace;
  verified = 0;
  firstMs: number | undefined;
  lastMs: number | undefined;
  readonly #noted: AuditPlace | undefined;

  constructor(anchor: AuditPlace, noted: AuditPlace | undefined) {
    this.anchor = anchor;
    this.place = anchor;
    this.#noted = noted;
  }

  /** Retention removed what stood before the place: the chain begins anew there. */
  goOnBehind(anchor: AuditPlace): void {
    this.anchor = anchor;
    this.place = anchor;
  }

  /** The first bad row of a page, if there is one. */
  along(page: readonly StoredRecord[]): Bad | undefined {
    for (const record of page) {
      const bad = this.#differsFromNoted() ?? this.#faultOf(record);
      if (bad) return bad;
      const { number, hash, recorded_ms } = record.row;
      this.place = { number, hash };
      this.verified += 1;
      this.firstMs ??= recorded_ms;
      this.lastMs = recorded_ms;
    }
    return undefined;
  }

  /** At the end: is it the place that the store itself, and whoever noted it, took for the end? */
  atHead(head: AuditPlace): Bad | undefined {
    const bad = this.#differsFromNoted();
    if (bad) return bad;
    if (this.place.hash !== head.hash) return { number: head.number, fault: 'rewritten' };
    if (this.#noted !== undefined && this.#noted.number > head.number) return { number: head.number + 1, fault: 'removed' };
    return undefined;
  }

  #differsFromNoted(): Bad | undefined {
    const { number, hash } = this.place;
    if (this.#noted === undefined || this.#noted.number !== number || this.#noted.hash === hash) return undefined;
    return { number, fault: 'not-as-noted' };
  }

  #faultOf({ row, references }: StoredRecord): Bad | undefined {
    const expected = this.place.number + 1;
    if (row.number !== expected) return { number: expected, fault: 'removed' };
    const fault = faultWithin(row, references);
    if (fault) return { number: expected, fault };
    if (row.previous_hash === this.place.hash) return undefined;
    // sound in itself, but behind something else than what stands before it
    return this.place.number > this.anchor.number
      ? { number: this.place.number, fault: 'rewritten' }
      : { number: expected, fault: 'rewritten' };
  }
}

/** What the row says of itself: do content, hash, columns and number belong together? */
function faultWithin(row: AuditRow, references: readonly string[]): AuditFault | undefined {
  try {
    const written = recordOf(row.number, row.content, row.previous_hash);
    if (!isDeepStrictEqual({ ...written.row }, { ...row }) || !isDeepStrictEqual(written.references, references)) return 'altered';
    return ownNumberIn(row.content) === row.number ? undefined : 'out-of-order';
  } catch (error) {
    if (error instanceof SyntaxError || error instanceof TypeError) return 'altered';
    throw error;
  }
}

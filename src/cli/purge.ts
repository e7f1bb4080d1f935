/**
 * `steelyard purge`: removes for good what is older than it may be, or one person, and says what.
 * Without --remove the very same work is done and taken back, so that the numbers are exact.
 */
import { DAY_MS, toInstant } from '../core/fhir-time.ts';
import { keyOf, pointerOfKey } from '../core/pointers.ts';
import type { KeptStore, RemovalOptions, Removed } from '../ports.ts';
import { nameOfStore } from '../open-store.ts';
import { withKeptStore } from './kept-store.ts';
import { operator } from './operator.ts';
import { CommandFailed, EXIT, printable, wrapped, type Terminal } from './terminal.ts';

export interface PurgeOptions {
  /** Days; each absent means: leave these alone. */
  readonly refusals?: number;
  readonly outbox?: number;
  readonly people?: number;
  readonly audit?: number;
  /** Key of one person, whatever the age of their records. */
  readonly person?: string;
  readonly remove?: boolean;
}

/** A unit of work this large is over in a moment, so that readings do not wait for it. */
const CHUNK = 200;
const LONGEST_REASON = 200;

export async function purge(options: PurgeOptions, terminal: Terminal): Promise<number> {
  const { refusals, outbox, people, audit, person, remove = false } = options;
  if ([refusals, outbox, people, audit, person].every((one) => one === undefined))
    throw new CommandFailed('Say what: --refusals, --outbox, --people and --audit with a number of days, or --person with a key.');
  if (person !== undefined) refuseOtherKeys(person);
  return withKeptStore(async (store, database) => {
    const nowMs = Date.now();
    const dryRun = !remove;
    const by = operator('purge');
    const total = new Total();
    if (refusals !== undefined)
      await inChunks(dryRun, (limit) => store.retention.removeRefusals(daysAgo(nowMs, refusals), { limit, dryRun, by }), total);
    if (outbox !== undefined)
      await inChunks(dryRun, (limit) => store.retention.removeSettledItems(daysAgo(nowMs, outbox), { limit, dryRun, by }), total);
    if (audit !== undefined)
      await inChunks(dryRun, (limit) => store.retention.removeAudit(nowMs - audit * DAY_MS, { limit, dryRun, by }), total);
    const removedPeople = people === undefined ? undefined : await removeQuiet(store, nowMs - people * DAY_MS, { dryRun, by }, total);
    const one = person === undefined ? undefined : await store.retention.removePerson(person, { dryRun, by });
    if (one?.kind === 'removed') total.add(one.removed);

    terminal.print(
      remove
        ? `Removed from ${printable(nameOfStore(database))}:`
        : `Would be removed from ${printable(nameOfStore(database))} (nothing was; add --remove):`,
    );
    terminal.print(...total.lines());
    if (removedPeople)
      terminal.print(
        `People: ${removedPeople.removed}; left alone: ${removedPeople.onHold} on hold, ${removedPeople.unfinished} unfinished.`,
      );
    if (one?.kind === 'on-hold')
      terminal.complain('This person is on legal hold, so nothing of them is removed. steelyard hold list says why.');
    if (one?.kind === 'unfinished')
      terminal.complain('Something of this person waits for a decision or for the EHR, so nothing of them is removed. Settle that first.');
    const isNobody = one?.kind === 'removed' && Object.keys(one.removed).length === 0;
    if (isNobody) terminal.complain('Nothing is stored under the key of --person: see that it is the one under which the person is kept.');
    terminal.print(
      ...wrapped(
        'Copies elsewhere are not reached from here: backups that are older, and what the EHR was sent. The audit keeps its own time.',
        terminal.columns,
      ),
    );
    return one === undefined || (one.kind === 'removed' && !isNobody) ? EXIT.ok : EXIT.found;
  });
}

/** `steelyard hold add`: nothing of this person is removed from now on. */
export async function addHold(person: string, reason: string, terminal: Terminal): Promise<number> {
  const kept = reason.trim();
  if (kept === '' || kept.length > LONGEST_REASON || printable(kept) !== kept)
    throw new CommandFailed(`--reason must be one line of 1 to ${LONGEST_REASON} characters.`);
  refuseOtherKeys(person);
  return withKeptStore(async ({ retention, read }) => {
    await retention.hold({ person, reason: kept, since: toInstant(Date.now()) }, operator('hold'));
    terminal.print('Nothing of this person is removed until the hold is released.');
    if ((await read.readingsOf(person)).length === 0)
      terminal.complain('No reading of this person is stored now: see that the key is the one under which the person is kept.');
    return EXIT.ok;
  });
}

export async function releaseHold(person: string, terminal: Terminal): Promise<number> {
  return withKeptStore(async ({ retention }) => {
    const isReleased = await retention.release(person, operator('hold'));
    if (isReleased) terminal.print('The hold is released.');
    else terminal.complain('This person is not on hold, so nothing was done.');
    return isReleased ? EXIT.ok : EXIT.found;
  });
}

export async function listHolds(terminal: Terminal): Promise<number> {
  return withKeptStore(async ({ retention }) => {
    const holds = await retention.holds();
    terminal.print(...holds.map(({ person, since, reason }) => `${printable(person)}  since ${since.slice(0, 10)}  ${printable(reason)}`));
    terminal.print(`${holds.length} on hold.`);
    return EXIT.ok;
  });
}

/** A hold on what is no key would hold nobody, and a removal would find nobody. */
function refuseOtherKeys(person: string): void {
  const pointer = pointerOfKey(person);
  const isPerson = pointer?.kind === 'logical' || pointer?.type === 'Patient';
  if (pointer === undefined || !isPerson || keyOf(pointer) !== person)
    throw new CommandFailed('The key of a person is Patient/ID, or identifier:SYSTEM|VALUE for one who is known by an identifier only.');
}

function daysAgo(nowMs: number, days: number): string {
  return toInstant(nowMs - days * DAY_MS);
}

/** A dry run takes back what it did, so that it must look at all of it at once. */
async function inChunks(dryRun: boolean, act: (limit: number) => Promise<Removed>, total: Total): Promise<void> {
  if (dryRun) {
    total.add(await act(Number.MAX_SAFE_INTEGER));
    return;
  }
  for (;;) {
    const removed = await act(CHUNK);
    if (Object.keys(removed).length === 0) return;
    total.add(removed);
  }
}

async function removeQuiet(store: KeptStore, beforeMs: number, options: Omit<RemovalOptions, 'limit'>, total: Total) {
  const people = { removed: 0, onHold: 0, unfinished: 0 };
  let after: string | undefined;
  for (;;) {
    const page = await store.retention.quietPersons(beforeMs, CHUNK, after);
    for (const person of page) {
      const removal = await store.retention.removePerson(person, { ...options, quietSinceMs: beforeMs });
      if (removal.kind === 'removed') {
        people.removed += 1;
        total.add(removal.removed);
      } else if (removal.kind === 'on-hold') people.onHold += 1;
      else if (removal.kind === 'unfinished') people.unfinished += 1;
    }
    after = page.at(-1);
    if (after === undefined) return people;
  }
}

/** Rows removed so far, by table. */
class Total {
  readonly #rows = new Map<string, number>();

  add(removed: Removed): void {
    for (const [table, rows] of Object.entries(removed)) this.#rows.set(table, (this.#rows.get(table) ?? 0) + rows);
  }

  lines(): string[] {
    const tables = [...this.#rows].sort(([a], [b]) => (a < b ? -1 : 1));
    if (tables.length === 0) return ['  nothing'];
    return tables.map(([table, rows]) => `  ${String(rows).padStart(8)}  ${TABLE_WORDS[table] ?? table}`);
  }
}

/** The tables of the store, for people. */
const TABLE_WORDS: Readonly<Record<string, string>> = {
  resource_version: 'versions of resources (Observation, Provenance, Patient, Device)',
  observation: 'entries of the index of Observations',
  search_token: 'entries of the index of codes, identifiers and references',
  fingerprint: 'fingerprints by which resends are known',
  refusal: 'refused requests, as they were sent',
  outbox_item: 'outbox items, sent or given up',
  outbox_concern: 'notes of what outbox items are about',
  audit_event: 'audit events, from the beginning of their chain',
  ehr_copy: 'notes of where the EHR keeps its copies',
};

/**
 * `steelyard outbox`: what has not reached the EHR, and what to do about it. Works on the store
 * directly, beside a running service too: short transactions keep the two apart, and the service
 * looks for due items every second.
 */
import { existsSync } from 'node:fs';
import { loadConfig } from '../config.ts';
import { openStore, StoreNotOpened } from '../open-store.ts';
import { StoreUnavailable, type OutboxItem, type OutboxState, type OutboxStore } from '../ports.ts';
import { CommandFailed, EXIT, printable, wrapped, type Terminal } from './terminal.ts';

/** The service may hold the file for a moment: a command can wait longer than a request. */
const BUSY_TIMEOUT_MS = 10_000;
/** How many of the newest items are looked through to say why nothing was done. */
export const MOST_LOOKED_THROUGH = 10_000;
const LONGEST_REASON = 200;

export async function listOutbox(
  { state, limit }: { readonly state: readonly string[]; readonly limit: number },
  terminal: Terminal,
): Promise<number> {
  return withOutbox(async (outbox, database) => {
    const items = await outbox.list({ states: state as OutboxState[], limit });
    terminal.print(...items.flatMap((item) => inLines(item, terminal)));
    const { waiting, parked } = await outbox.counts();
    terminal.print(`${waiting} waiting, ${parked} parked in ${printable(database)}.`);
    if (parked > 0) terminal.print('Parked: the EHR would not take these. Mend the cause, then steelyard outbox retry NUMBER; or discard.');
    return EXIT.ok;
  });
}

/** Throws CommandFailed when the reason is not one short line. */
export async function discardItems(numbers: readonly number[], reason: string, terminal: Terminal): Promise<number> {
  const kept = reason.trim();
  if (kept === '' || kept.length > LONGEST_REASON || printable(kept) !== kept)
    throw new CommandFailed(`--reason must be one line of 1 to ${LONGEST_REASON} characters.`);
  return withOutbox(async (outbox) => {
    let exitCode: number = EXIT.ok;
    for (const number of numbers) {
      if (await outbox.discard(number, kept, Date.now()))
        terminal.print(`${number} is given up. A reading of it goes to the EHR only if a later item refers to it.`);
      else {
        terminal.complain(`${number} ${await whyNotDiscarded(outbox, number)}`);
        exitCode = EXIT.found;
      }
    }
    return exitCode;
  });
}

async function whyNotDiscarded(outbox: OutboxStore, number: number): Promise<string> {
  const waiting = await outbox.list({ states: ['waiting'], limit: MOST_LOOKED_THROUGH });
  return waiting.some((item) => item.number === number)
    ? 'is being sent just now, so nothing was done. Try again in a minute.'
    : 'is neither waiting nor parked, so nothing was done.';
}

const INDENT = ' '.repeat(8);

function inLines({ number, state, tries, queuedAt, dueMs, resources, reason }: OutboxItem, { tint, columns }: Terminal): string[] {
  const readings = resources.filter(({ type }) => type === 'Observation').map(({ id, version }) => `Observation/${id}, version ${version}`);
  const next = state === 'waiting' ? `, next try ${toMinute(new Date(dueMs).toISOString())}` : '';
  const tried = tries === 1 ? '1 try' : `${tries} tries`;
  const head = `${String(number).padStart(6)}  ${tint(state === 'parked' ? 'yellow' : 'bold', state)}, queued ${toMinute(queuedAt)}, ${tried}${next}`;
  return [head, ...readings.map((line) => INDENT + line), ...(reason === undefined ? [] : wrapped(printable(reason), columns, INDENT))];
}

export function toMinute(instant: string): string {
  return `${instant.slice(0, 10)} ${instant.slice(11, 16)}Z`;
}

/** Throws CommandFailed when there is no store, or when it cannot be used now. */
export async function withOutbox(use: (outbox: OutboxStore, database: string) => Promise<number>): Promise<number> {
  const { database } = loadConfig(process.env);
  if (!existsSync(database)) throw new CommandFailed(`There is no store at ${printable(database)}; STEELYARD_DATABASE says where it is.`);
  try {
    const clock = { nowMs: () => Date.now() };
    const store = await openStore(database, { clock, exclusive: false, busyTimeoutMs: BUSY_TIMEOUT_MS });
    try {
      return await use(store.outbox, database);
    } finally {
      await store.close();
    }
  } catch (error) {
    if (error instanceof StoreNotOpened) throw new CommandFailed(`STEELYARD_DATABASE: ${error.message}.`);
    if (error instanceof StoreUnavailable)
      throw new CommandFailed('The store is busy or cannot be written to now; nothing was changed. Try again.');
    throw error;
  }
}

/** The store of STEELYARD_DATABASE, for commands that work on it directly, beside a running service too. */
import { loadConfig } from '../config.ts';
import { mayExist, nameOfStore, openStore, StoreNotOpened } from '../open-store.ts';
import { StoreUnavailable, type KeptStore } from '../ports.ts';
import { CommandFailed, printable } from './terminal.ts';

/** The service may hold the file for a moment: a command can wait longer than a request. */
const BUSY_TIMEOUT_MS = 10_000;

/** Throws CommandFailed when there is no store, or when it cannot be used now. */
export async function withKeptStore<Result>(use: (store: KeptStore, database: string) => Promise<Result>): Promise<Result> {
  const { database } = loadConfig(process.env);
  refuseMissing(database);
  try {
    const clock = { nowMs: () => Date.now() };
    const store = await openStore(database, { clock, exclusive: false, busyTimeoutMs: BUSY_TIMEOUT_MS, mustExist: true });
    try {
      return await use(store, database);
    } finally {
      await store.close();
    }
  } catch (error) {
    if (error instanceof StoreNotOpened) throw new CommandFailed(`STEELYARD_DATABASE: ${error.message}.`);
    if (error instanceof StoreUnavailable)
      throw new CommandFailed('The store is busy or cannot be written to now; what was not reported as done was not done. Try again.');
    throw error;
  }
}

/** Throws CommandFailed for a file that is not there; of a database only its server can tell. */
export function refuseMissing(database: string): void {
  if (mayExist(database)) return;
  throw new CommandFailed(`There is no store at ${printable(nameOfStore(database))}; STEELYARD_DATABASE says where it is.`);
}

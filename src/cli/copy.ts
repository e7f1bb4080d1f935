/** `steelyard copy`: from one database to another. */
import { loadConfig } from '../config.ts';
import { copyStore, CopyRefused, kindOfStore, mayExist, nameOfStore, StoreNotOpened } from '../open-store.ts';
import { StoreUnavailable } from '../ports.ts';
import { mayBeMistakenUrl } from '../settings.ts';
import { CommandFailed, EXIT, printable, type Terminal } from './terminal.ts';

/**
 * @param to the store of STEELYARD_DATABASE when absent
 * @throws CommandFailed when a store cannot be used, the target is not empty, or the copy differs from the source
 */
export async function copy(from: string, to: string | undefined, terminal: Terminal): Promise<number> {
  const target = to ?? loadConfig(process.env).database;
  for (const store of [from, target]) refuseOtherUrls(store);
  if (!mayExist(from)) throw new CommandFailed(`There is no store at ${printable(from)}.`);
  const copied = await orFail(() => copyStore(from, target, { nowMs: () => Date.now() }));
  const widest = Math.max(...copied.map(({ name }) => name.length));
  terminal.print(...copied.map(({ name, rows }) => `${name.padEnd(widest)}  ${String(rows).padStart(9)} rows`));
  terminal.print(`Copied and compared: ${printable(nameOfStore(from))} to ${printable(nameOfStore(target))}.`);
  return EXIT.ok;
}

/** A URL with a slip in it would otherwise be taken for the name of a file. */
function refuseOtherUrls(store: string): void {
  if (kindOfStore(store) === 'sqlite' && mayBeMistakenUrl(store))
    throw new CommandFailed('A store is a file path, or a postgres:// URL with a host and a database.');
}

async function orFail<Result>(act: () => Promise<Result>): Promise<Result> {
  try {
    return await act();
  } catch (error) {
    if (error instanceof StoreNotOpened) throw new CommandFailed(`The source: ${error.message}.`);
    if (error instanceof CopyRefused) throw new CommandFailed(`Nothing was copied: ${error.message}.`);
    if (error instanceof StoreUnavailable)
      throw new CommandFailed('Nothing was copied: a database does not answer, does not let you in, or cannot be written to now.');
    throw error;
  }
}

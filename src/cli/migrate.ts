/** `steelyard migrate`: the tables of this release, for a store that was made by an earlier one or that is new. */
import { loadConfig } from '../config.ts';
import { migrateStore, nameOfStore, StoreNotOpened } from '../open-store.ts';
import { CommandFailed, EXIT, printable, type Terminal } from './terminal.ts';

/** Throws CommandFailed when the store cannot be used. */
export async function migrate(terminal: Terminal): Promise<number> {
  const { database } = loadConfig(process.env);
  try {
    const applied = await migrateStore(database, { nowMs: () => Date.now() });
    terminal.print(...applied.map((name) => `applied ${name}`));
    terminal.print(`${printable(nameOfStore(database))} is ${applied.length === 0 ? '' : 'now '}up to date.`);
    return EXIT.ok;
  } catch (error) {
    if (error instanceof StoreNotOpened) throw new CommandFailed(`STEELYARD_DATABASE: ${error.message}.`);
    throw error;
  }
}

/** Commands about the store as a whole: bringing it up to date, moving it to another database. */
import type { Command } from 'commander';
import { wrapped, type Terminal } from './terminal.ts';

const COPY_NOTES = [
  'A store is a file path (SQLite) or a postgres:// URL. The target must be a new file, or a database without tables; a copy that fails leaves it as it was.',
  'Stop every service on the source first and start it on the target afterwards: what is written to the source later stays behind, and two services on two copies would both send to the EHR.',
  'A password in a URL can be seen by others on this machine: leave TO out, and name the file that holds the URL in STEELYARD_DATABASE_FILE.',
] as const;

export function addStoreCommands(program: Command, terminal: Terminal): void {
  program
    .command('migrate')
    .description('bring the store of STEELYARD_DATABASE up to date with this release, and say what was applied')
    .addHelpText('after', '\nExit codes: 0 it is up to date now; 2 bad usage, or a store that cannot be used.')
    .addHelpText('after', '\nExample:\n  STEELYARD_DATABASE=postgres://steelyard@127.0.0.1/steelyard steelyard migrate')
    .action(async () => {
      process.exitCode = await (await import('./migrate.ts')).migrate(terminal);
    });
  program
    .command('copy')
    .description('copy a whole store into another database, and compare the two before it is kept')
    .argument('<from>', 'the store to read, which stays as it is')
    .argument('[to]', 'a new file or an empty database; otherwise that of STEELYARD_DATABASE')
    .addHelpText('after', COPY_NOTES.map((note) => `\n${wrapped(note, terminal.columns).join('\n')}`).join('\n'))
    .addHelpText('after', '\nExit codes: 0 copied; 2 bad usage, or a store that cannot be used.')
    .addHelpText('after', '\nExample:\n  steelyard copy ./steelyard.db postgres://steelyard@127.0.0.1/steelyard')
    .action(async (from: string, to: string | undefined) => {
      process.exitCode = await (await import('./copy.ts')).copy(from, to, terminal);
    });
}

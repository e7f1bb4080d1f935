/** The commands of those who keep a store: copies of it, and what may be removed from it. */
import type { Command } from 'commander';
import { InvalidArgumentError, Option } from 'commander';
import { exitCodes, refuseUnknownBelow } from './arguments.ts';
import type { PurgeOptions } from './purge.ts';
import { wrapped, type Terminal } from './terminal.ts';

export function addKeeping(program: Command, terminal: Terminal): void {
  addBackup(program, terminal);
  addPurge(program, terminal);
  addHolds(program, terminal);
}

function addBackup(program: Command, terminal: Terminal): void {
  program
    .command('backup')
    .description('copy the embedded store as it is at this moment; also beside a running service')
    .argument('<file>', 'a new file')
    .addHelpText('after', exitCodes('copied', 'it could not be written, or the file is there already', 'bad usage, or no store there'))
    .addHelpText('after', '\nExample:\n  STEELYARD_DATABASE=./steelyard.db steelyard backup /backups/steelyard-2026-03-02.db')
    .action(async (file: string) => {
      process.exitCode = await (await import('./backup.ts')).backupTo(file, terminal);
    });
  program
    .command('restore')
    .description('put a backup in the place of the embedded store, while no service runs on it')
    .argument('<file>', 'what steelyard backup wrote')
    .option('--replace', 'also when there is a store already, which is kept beside it under another name', false)
    .addHelpText('after', exitCodes('restored', 'nothing was changed, and why', 'bad usage, or a service runs on the store'))
    .addHelpText('after', '\nExample:\n  STEELYARD_DATABASE=./steelyard.db steelyard restore /backups/steelyard-2026-03-02.db')
    .action(async (file: string, options: { replace: boolean }) => {
      process.exitCode = (await import('./backup.ts')).restoreFrom(file, options, terminal);
    });
}

const PURGE_NOTES = [
  'People are removed whole: all their readings and what follows from them, with every version, once the last of them is older than the days given. A history is never cut in the middle, since the readings that remain would be judged without those before them.',
  'Left alone in any case: people on legal hold (steelyard hold), and those of whom something waits for a decision or for the EHR.',
] as const;

function addPurge(program: Command, terminal: Terminal): void {
  program
    .command('purge')
    .description('remove for good what is older than it may be; says what would be removed until --remove is given')
    .option('--refusals <days>', 'refused requests that were received before', days)
    .option('--outbox <days>', 'outbox items, sent or given up, that were queued before', days)
    .option('--people <days>', 'people whose last reading is older', days)
    .option('--audit <days>', 'audit events that were recorded before (many laws ask for six years and more)', days)
    .option('--person <key>', 'one person, whatever the age of the readings: Patient/ada-invented')
    .option('--sessions', 'every session of the pages for people, so that everybody signs in again with the roles of today')
    .option('--remove', 'do it')
    .addOption(new Option('--dry-run', 'only say what would be removed, as is done without --remove').conflicts('remove'))
    .addHelpText('after', PURGE_NOTES.map((note) => `\n${wrapped(note, terminal.columns).join('\n')}`).join('\n'))
    .addHelpText(
      'after',
      '\nExit codes: 0 done; 1 the person of --person was left alone, or is not there; 2 bad usage, or a store that cannot be used.',
    )
    .addHelpText('after', '\nExample:\n  STEELYARD_DATABASE=./steelyard.db steelyard purge --refusals 90 --outbox 30')
    .action(async (options: PurgeOptions) => {
      process.exitCode = await (await import('./purge.ts')).purge(options, terminal);
    });
}

function addHolds(program: Command, terminal: Terminal): void {
  const hold = program
    .command('hold')
    .description('people of whom nothing may be removed')
    .addHelpText('after', '\nExample:\n  steelyard hold list');
  refuseUnknownBelow(hold);
  hold
    .command('add')
    .description('remove nothing of a person until the hold is released')
    .argument('<person>', 'key of the person: Patient/ada-invented')
    .requiredOption('--reason <text>', 'why, kept with the hold; name no patient')
    .addHelpText('after', '\nExample:\n  steelyard hold add Patient/ada-invented --reason "court order 12"')
    .action(async (person: string, { reason }: { reason: string }) => {
      process.exitCode = await (await import('./purge.ts')).addHold(person, reason, terminal);
    });
  hold
    .command('release')
    .description('let a person be removed again')
    .argument('<person>', 'key of the person')
    .addHelpText('after', '\nExample:\n  steelyard hold release Patient/ada-invented')
    .action(async (person: string) => {
      process.exitCode = await (await import('./purge.ts')).releaseHold(person, terminal);
    });
  hold
    .command('list', { isDefault: true })
    .description('show who is on hold and why')
    .addHelpText('after', '\nExample:\n  steelyard hold list')
    .action(async () => {
      process.exitCode = await (await import('./purge.ts')).listHolds(terminal);
    });
}

const SHORTEST_DAYS = 1;
const LONGEST_DAYS = 36_500;

function days(text: string): number {
  const number = /^\d{1,5}$/.test(text) ? Number(text) : 0;
  if (number < SHORTEST_DAYS || number > LONGEST_DAYS)
    throw new InvalidArgumentError(`It must be a number of days from ${SHORTEST_DAYS} to ${LONGEST_DAYS}.`);
  return number;
}

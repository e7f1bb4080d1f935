/** `steelyard outbox` and what is under it, with options and help. */
import { Option, type Command } from 'commander';
import { example, exitCodes, limitNumber, manyNumbers, refuseUnknownBelow, wholeNumber } from './arguments.ts';
import type { RetryOptions } from './outbox-retry.ts';
import type { Terminal } from './terminal.ts';

export function addOutbox(program: Command, terminal: Terminal): void {
  const outbox = program
    .command('outbox')
    .description('what has not reached the EHR, in the store of STEELYARD_DATABASE; also beside a running service')
    .addHelpText('after', example('STEELYARD_DATABASE=./steelyard.db steelyard outbox list'));
  refuseUnknownBelow(outbox);
  outbox
    .command('list', { isDefault: true })
    .description('show what waits and what the EHR would not take')
    .addOption(
      new Option('--state <state...>', 'which states to show')
        .choices(['waiting', 'parked', 'sent', 'discarded'])
        .default(['waiting', 'parked'], 'waiting and parked'),
    )
    .option('--limit <number>', 'show the newest so many', limitNumber, 100)
    .addHelpText('after', example('steelyard outbox list --state parked'))
    .action(async (options: { state: string[]; limit: number }) => {
      process.exitCode = await (await import('./outbox.ts')).listOutbox(options, terminal);
    });
  outbox
    .command('retry')
    .description('send parked items again: by number, by what they have in common, or all')
    .argument('[number...]', 'numbers from the list', manyNumbers)
    .option('--all', 'every parked item')
    .option('--reason-like <text>', 'those whose reason holds this text: "status 422"')
    .option('--since <instant>', 'those queued from then on: 2026-03-02, or 2026-03-02T08:00:00Z')
    .option('--until <instant>', 'those queued before then')
    .option('--blocked-by <number>', 'that item, and all that it holds back', wholeNumber)
    .option('--dry-run', 'print what would be sent again, and what hangs on it; change nothing')
    .addHelpText(
      'after',
      '\nWhat an item holds back is sent after it. Nothing is sent twice: whatever may be at the EHR is looked up first.',
    )
    .addHelpText('after', exitCodes('done', 'a number that was named is no parked item', 'bad usage, or no store there'))
    .addHelpText('after', example('steelyard outbox retry --reason-like "status 422" --since 2026-03-02 --dry-run'))
    .action(async (numbers: number[], options: RetryOptions) => {
      process.exitCode = await (await import('./outbox-retry.ts')).retryItems(numbers, options, terminal);
    });
  outbox
    .command('distrust')
    .description('after a restore: look everything up at the EHR before it is sent')
    .addHelpText(
      'after',
      '\nFor a PostgreSQL store that was restored by its own tools; call it before a service starts on the store. An embedded store that was restored from a backup of ours does it by itself.',
    )
    .addHelpText('after', example('STEELYARD_DATABASE=postgres://ward.example/steelyard steelyard outbox distrust'))
    .action(async () => {
      process.exitCode = await (await import('./outbox-retry.ts')).distrustStore(terminal);
    });
  outbox
    .command('discard')
    .description('give up waiting or parked items, but none that is being sent just now; what they held back goes on')
    .argument('<number...>', 'numbers from the list', manyNumbers)
    .requiredOption('--reason <text>', 'why, kept with the item; name no patient')
    .addHelpText('after', example('steelyard outbox discard 12 --reason "charted by hand, ticket 4711"'))
    .action(async (numbers: number[], { reason }: { reason: string }) => {
      process.exitCode = await (await import('./outbox.ts')).discardItems(numbers, reason, terminal);
    });
}

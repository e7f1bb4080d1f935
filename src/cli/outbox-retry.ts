/**
 * `steelyard outbox retry` and `distrust`: sends parked items again, by number, by what they have in
 * common, or all, after a look at what that would be. Safe to repeat: whatever may have been sent is
 * looked up first.
 */
import { parseDateTime, toInstant } from '../core/fhir-time.ts';
import type { OutboxStore, ParkedFilter, ParkedItem } from '../ports.ts';
import { MOST_LOOKED_THROUGH, toMinute, withOutbox } from './outbox.ts';
import { CommandFailed, EXIT, printable, wrapped, type Terminal } from './terminal.ts';

export interface RetryOptions {
  readonly all?: true;
  readonly reasonLike?: string;
  readonly since?: string;
  readonly until?: string;
  readonly blockedBy?: number;
  readonly dryRun?: true;
}

/** Items that are released together: they share a commit. */
const AT_ONCE = 50;

/** Throws CommandFailed when nothing, or two things at once, says which items are meant. */
export async function retryItems(numbers: readonly number[], options: RetryOptions, terminal: Terminal): Promise<number> {
  const filter = filterOf(numbers, options);
  return withOutbox(async (outbox) => {
    const items = await outbox.parked(filter);
    const asked = options.blockedBy === undefined ? numbers : [options.blockedBy];
    const unmet = asked.filter((number) => !items.some((item) => item.number === number));
    if (options.dryRun) terminal.print(...items.flatMap((item) => preview(item, terminal)), totalOf(items));
    else await release(outbox, items, terminal);
    for (const number of unmet) terminal.complain(`${number} ${await whyNotRetried(outbox, number)}`);
    return unmet.length > 0 ? EXIT.found : EXIT.ok;
  });
}

/** Marks all that is not sent as perhaps sent; prints how much that is. */
export async function distrustStore(terminal: Terminal): Promise<number> {
  return withOutbox(async (outbox) => {
    const items = await outbox.distrust(Date.now());
    terminal.print(
      ...wrapped(
        `${items} waiting or parked ${items === 1 ? 'item is' : 'items are'} looked up at the EHR before anything is sent. For a week, so is every reading that comes, also by its gateway's own identifier: what was sent before the restore is not sent twice.`,
        terminal.columns,
      ),
    );
    return EXIT.ok;
  });
}

function filterOf(numbers: readonly number[], { all, reasonLike, since, until, blockedBy }: RetryOptions): ParkedFilter {
  const narrows = reasonLike !== undefined || since !== undefined || until !== undefined;
  const ways = [numbers.length > 0, all === true, blockedBy !== undefined, narrows].filter(Boolean).length;
  if (ways === 0) throw new CommandFailed('Say which items: their numbers, --reason-like, --since, --until, --blocked-by, or --all.');
  if (ways > 1) throw new CommandFailed('Numbers, --blocked-by, --all, and the filters --reason-like, --since and --until go alone.');
  if (reasonLike?.trim() === '') throw new CommandFailed('--reason-like must not be empty; --all means every parked item.');
  const named = blockedBy === undefined ? numbers : [blockedBy];
  return {
    ...(named.length > 0 && { numbers: named }),
    ...(reasonLike !== undefined && { reasonLike }),
    ...(since !== undefined && { since: instantOf('--since', since) }),
    ...(until !== undefined && { until: instantOf('--until', until) }),
  };
}

function instantOf(option: string, text: string): string {
  const time = parseDateTime(text);
  if (time === undefined) throw new CommandFailed(`${option} must be a date (in UTC) or an instant with offset: 2026-03-02T08:00:00Z.`);
  return toInstant(time.startMs);
}

async function release(outbox: OutboxStore, items: readonly ParkedItem[], terminal: Terminal): Promise<void> {
  for (let from = 0; from < items.length; from += AT_ONCE) {
    const some = items.slice(from, from + AT_ONCE);
    const released = await Promise.all(some.map(({ number }) => outbox.retry(number, Date.now())));
    some.forEach(({ number, holdsBack }, at) => {
      if (!released[at]) terminal.complain(`${number} is parked no more: somebody else was faster.`);
      else terminal.print(`${number} waits to be sent again${holdsBack.length === 0 ? '' : `, and with it ${holdsBack.join(', ')}`}.`);
    });
  }
  if (items.length === 0) terminal.print('No parked item is meant.');
}

function preview({ number, queuedAt, tries, reason = '', holdsBack }: ParkedItem, { columns }: Terminal): readonly string[] {
  const head = `${String(number).padStart(6)}  would be sent again, queued ${toMinute(queuedAt)}, ${tries} ${tries === 1 ? 'try' : 'tries'}`;
  const held = holdsBack.length === 0 ? [] : wrapped(`and with it: ${holdsBack.join(', ')}`, columns, ' '.repeat(8));
  return [head, ...wrapped(printable(reason), columns, ' '.repeat(8)), ...held];
}

function totalOf(items: readonly ParkedItem[]): string {
  const held = items.reduce((sum, { holdsBack }) => sum + holdsBack.length, 0);
  return `${items.length} would be sent again, and ${held} that they hold back. Nothing was changed.`;
}

async function whyNotRetried(outbox: OutboxStore, number: number): Promise<string> {
  const parked = await outbox.list({ states: ['parked'], limit: MOST_LOOKED_THROUGH });
  const blockedBy = parked.find((item) => item.number === number)?.blockedBy;
  return blockedBy === undefined
    ? 'is not among the parked items, so nothing was done.'
    : `waits for ${blockedBy}, which is parked: decide about that one, and ${number} follows.`;
}

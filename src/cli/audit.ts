/**
 * `steelyard audit`: whether the chain of audit events is whole, and where it ends now. Opens the store
 * only to read, beside a running service too.
 */
import { loadConfig } from '../config.ts';
import { openStoreReadOnly, StoreNotOpened } from '../open-store.ts';
import { StoreUnavailable, type AuditFault, type AuditPlace, type AuditReader, type AuditVerdict, type VersionsVerdict } from '../ports.ts';
import { refuseMissing } from './kept-store.ts';
import { CommandFailed, EXIT, printable, wrapped, type Terminal } from './terminal.ts';

const BUSY_TIMEOUT_MS = 10_000;

/** What each fault says of the row that is named. */
const FAULTS: Readonly<Record<AuditFault, (number: number) => string>> = {
  altered: (number) => `Event ${number} was altered: its content, its hash and what it is searched by do not belong together.`,
  removed: (number) => `Event ${number} was removed: the chain goes on without it, or ends too early.`,
  'out-of-order': (number) =>
    `The row numbered ${number} is another event, which was written in another place: rows were exchanged or renumbered.`,
  inserted: (number) => `There is a row numbered ${number} that this service did not write.`,
  rewritten: (number) => `Event ${number} was rewritten together with its hash: what follows it was chained to another content.`,
  'not-as-noted': (number) =>
    `Event ${number} is not the one that was noted with --expect: it, or one before it, was rewritten, and the chain anew from there.`,
};

/**
 * Exit 0 when every event, and every stored version that one has a hash of, is as it was written; 1 when not.
 *
 * @param expect `NUMBER:HASH`, a head that was noted earlier
 */
export async function verifyAudit({ expect }: { readonly expect?: string }, terminal: Terminal): Promise<number> {
  const noted = expect === undefined ? undefined : placeIn(expect);
  const verdict = await withAudit((audit) => audit.verify(noted));
  terminal.print(...reportOf(verdict, noted, terminal));
  return verdict.bad || verdict.versions?.bad !== undefined || verdict.notedWasRemoved ? EXIT.found : EXIT.ok;
}

/** Prints the head as `--expect` takes it: keep it where whoever can write to the store cannot. */
export async function printHead(terminal: Terminal): Promise<number> {
  terminal.print(textOf(await withAudit((audit) => audit.head())));
  return EXIT.ok;
}

function reportOf(verdict: AuditVerdict, noted: AuditPlace | undefined, { tint, columns }: Terminal): string[] {
  const { verified, firstRecorded, lastRecorded, anchor, head, bad, notedWasRemoved, versions } = verdict;
  const span = firstRecorded === undefined || lastRecorded === undefined ? '' : `, recorded from ${firstRecorded} to ${lastRecorded}`;
  const events = verified === 1 ? '1 event is as it was written' : `${verified} events are as they were written`;
  const before = anchor.number === 0 ? '' : ` Retention has removed those up to number ${anchor.number}.`;
  if (bad) {
    return [
      ...wrapped(tint('red', FAULTS[bad.fault](bad.number)), columns),
      ...wrapped(`Before it ${events}${span}.${before} Compare with a backup, and find out who could write to the store.`, columns),
    ];
  }
  const compared = notedWasRemoved
    ? `Event ${noted?.number ?? ''} was removed by retention since, so --expect cannot be compared.`
    : noted === undefined
      ? 'Only a head that was noted elsewhere, with --expect, shows that the end was not rewritten.'
      : `Event ${noted.number} is the one that was noted.`;
  return [
    ...wrapped(`${events}${span}.${before} ${compared}`, columns),
    ...(versions === undefined ? [] : versionLines(versions, { tint, columns })),
    `Head: ${textOf(head)}`,
  ];
}

function versionLines(
  { checked, notChecked, gone, bad }: VersionsVerdict,
  { tint, columns }: Pick<Terminal, 'tint' | 'columns'>,
): string[] {
  const sound = `${checked} stored versions read as they were written`;
  if (bad !== undefined)
    return [
      ...wrapped(tint('red', `${printable(bad)} was altered: its text is not the one that was written.`), columns),
      ...wrapped(`Before it ${sound}. Compare with a backup and with the EHR, and find out who could write to the store.`, columns),
    ];
  const others = `${notChecked} were not checked, since no event has their hash, and ${gone} are no longer there, as after a purge.`;
  return wrapped(`${sound}, ${others}`, columns);
}

function textOf({ number, hash }: AuditPlace): string {
  return `${number}:${hash}`;
}

function placeIn(text: string): AuditPlace {
  const [, number, hash] = /^(\d{1,15}):([0-9a-f]{64})$/.exec(text.trim()) ?? [];
  if (number === undefined || hash === undefined)
    throw new CommandFailed('--expect must be a head as steelyard audit head prints it: a number, a colon and 64 hexadecimal digits.');
  return { number: Number(number), hash };
}

async function withAudit<Result>(use: (audit: AuditReader) => Promise<Result>): Promise<Result> {
  const { database } = loadConfig(process.env);
  refuseMissing(database);
  try {
    const store = await openStoreReadOnly(database, { busyTimeoutMs: BUSY_TIMEOUT_MS });
    try {
      return await use(store.audit);
    } finally {
      await store.close();
    }
  } catch (error) {
    if (error instanceof StoreNotOpened) throw new CommandFailed(`STEELYARD_DATABASE: ${error.message}.`);
    if (error instanceof StoreUnavailable) throw new CommandFailed('The store cannot be read now. Try again.');
    throw error;
  }
}

/** `steelyard backup` and `steelyard restore`: the embedded store as it is at one moment, and back again. */
import { loadConfig, isPostgresUrl } from '../config.ts';
import { toAuditEvent } from '../core/audit/event.ts';
import { toInstant } from '../core/fhir-time.ts';
import { backupSqlite, BackupRefused, mayExist, restoreSqlite, StoreNotOpened, type BackupReport } from '../open-store.ts';
import { refuseMissing, withKeptStore } from './kept-store.ts';
import { operator } from './operator.ts';
import { CommandFailed, EXIT, printable, wrapped, type Terminal } from './terminal.ts';

/** Throws CommandFailed when the store is PostgreSQL, or the copy cannot be made. */
export async function backupTo(target: string, terminal: Terminal): Promise<number> {
  const source = embeddedStore('Back PostgreSQL up with its own tools (pg_dump, pg_basebackup).');
  refuseMissing(source);
  const report = refusing(() => backupSqlite(source, target, toInstant(Date.now())));
  const { caller, requestId } = operator('backup');
  const details = [['Observations', String(report.observations)] as const];
  const event = toAuditEvent({ recordedMs: Date.now(), event: 'backup', outcome: 'success', caller, requestId, details });
  await withKeptStore((store) => store.write((tx) => tx.addAudit(event)));
  terminal.print(`${printable(target)} holds ${printable(source)} as it was at ${report.takenAt}: ${contents(report)}.`);
  terminal.print(
    ...wrapped('It holds measurements of people: keep it as you keep the store, encrypted and away from this machine.', terminal.columns),
  );
  return EXIT.ok;
}

/** Throws CommandFailed when a service runs on the store, or the copy cannot be put in place. */
export function restoreFrom(copy: string, { replace }: { readonly replace: boolean }, terminal: Terminal): number {
  const target = embeddedStore('Restore PostgreSQL with its own tools, then call steelyard outbox distrust before a service starts on it.');
  if (!mayExist(copy)) throw new CommandFailed(`There is no backup at ${printable(copy)}.`);
  const { report, keptAs } = refusing(() => restoreSqlite(copy, target, { replace, now: toInstant(Date.now()) }));
  terminal.print(`${printable(target)} is now the store as it was at ${report.takenAt}: ${contents(report)}.`);
  if (keptAs !== undefined) terminal.print(`What was there before is kept as ${printable(keptAs)}.`);
  terminal.print(
    ...wrapped(
      'The service asks the EHR what it has before it sends anything of this store. Readings that were acknowledged after that moment are not in it: have the gateways send them again.',
      terminal.columns,
    ),
  );
  return EXIT.ok;
}

function contents({ observations, unsent }: BackupReport): string {
  return `${observations} Observations, ${unsent} outbox items not yet at the EHR`;
}

function embeddedStore(otherwise: string): string {
  const { database } = loadConfig(process.env);
  if (isPostgresUrl(database)) throw new CommandFailed(`This is for the embedded store. ${otherwise}`);
  return database;
}

function refusing<Result>(act: () => Result): Result {
  try {
    return act();
  } catch (error) {
    if (error instanceof BackupRefused) throw new CommandFailed(`Nothing was changed: ${error.message}.`, EXIT.found);
    if (error instanceof StoreNotOpened) throw new CommandFailed(`Nothing was changed: ${error.message}.`);
    throw error;
  }
}

/**
 * Copying an SQLite store as it is at one moment, beside a running service, and putting a copy in
 * its place. A copy knows that it is one: a service that starts on it asks the EHR what it has
 * before it sends anything again.
 */
import { chmodSync, closeSync, copyFileSync, existsSync, fsyncSync, openSync, renameSync, rmSync } from 'node:fs';
import { dirname } from 'node:path';
import Database from 'better-sqlite3';
import { MIGRATIONS } from './migrations/all.ts';
import { createPrivately } from './private-file.ts';
import { lockStore } from './store-lock.ts';
import { StoreNotOpened } from './store-not-opened.ts';

export interface BackupReport {
  /** FHIR instant at which the copy was begun. */
  readonly takenAt: string;
  readonly observations: number;
  /** Outbox items that the EHR had not confirmed at that time. */
  readonly unsent: number;
}

/** Why a copy was not made or put in place. */
export class BackupRefused extends Error {
  constructor(message: string, cause?: unknown) {
    super(message, cause === undefined ? undefined : { cause });
    this.name = 'BackupRefused';
  }
}

const OWNER_ONLY = 0o600;
const SIDE_FILES = ['-wal', '-shm'] as const;
/** How long a restore waits for whoever reads the store that it replaces. */
const READERS_LEAVE_MS = 1_000;

/**
 * Writes a copy of the store at `source` to the new file `target`: one moment of it, in one
 * transaction that keeps no writer waiting (SQLite documentation, "VACUUM INTO"), checked and on
 * disk when this returns. What was removed from the store is not in it.
 *
 * Throws BackupRefused when `target` exists or the copy is not sound, StoreNotOpened for a source that is no store.
 */
export function backupSqlite(source: string, target: string, takenAt: string): BackupReport {
  if (existsSync(target)) throw new BackupRefused('there is a file at the target already; name a new one');
  const partial = `${target}.partial`;
  rmSync(partial, { force: true });
  try {
    const store = openReadOnly(source);
    try {
      // SQLite fills an empty file, and would make a new one that others may read until it is done
      createPrivately(partial);
      store.prepare('vacuum into ?').run(partial);
    } finally {
      store.close();
    }
    const copy = new Database(partial);
    try {
      copy.prepare("insert or replace into mark (name, value) values ('backup-taken-at', ?)").run(takenAt);
    } finally {
      copy.close();
    }
    const report = inspectCopy(partial);
    putInPlace(partial, target);
    return report;
  } catch (error) {
    rmSync(partial, { force: true });
    if (error instanceof BackupRefused || error instanceof StoreNotOpened) throw error;
    throw new BackupRefused('the copy could not be written; see that the folder exists and has room', error);
  }
}

/**
 * Puts a copy in the place of the store at `target`. A store that is there is kept beside it, under
 * the name that is returned, when `replace` is given.
 *
 * Throws BackupRefused when the copy is not sound or something is there already; StoreNotOpened when a service runs on it.
 */
export function restoreSqlite(
  copy: string,
  target: string,
  { replace, now }: { readonly replace: boolean; readonly now: string },
): { readonly report: BackupReport; readonly keptAs?: string } {
  const report = inspectCopy(copy);
  if (existsSync(target) && !replace) {
    throw new BackupRefused(
      'there is a store at that place already; stop the service and add --replace, which keeps the old one beside it',
    );
  }
  const unlock = lockFor(target);
  const partial = `${target}.partial`;
  try {
    copyFileSync(copy, partial);
    chmodSync(partial, OWNER_ONLY);
    foldLog(target);
    const keptAs = setAside(target, now);
    putInPlace(partial, target);
    return { report, ...(keptAs !== undefined && { keptAs }) };
  } catch (error) {
    rmSync(partial, { force: true });
    if (error instanceof BackupRefused) throw error;
    throw new BackupRefused('the copy could not be put in place; the folder must exist, allow writing and have room', error);
  } finally {
    unlock();
  }
}

function lockFor(target: string): () => void {
  try {
    return lockStore(target);
  } catch (error) {
    if (error instanceof StoreNotOpened) throw error;
    throw new BackupRefused('the copy could not be put in place; the folder must exist, allow writing and have room', error);
  }
}

/** What a copy holds; throws BackupRefused when it is damaged, StoreNotOpened when it is not a store of this release or an earlier one. */
export function inspectCopy(path: string): BackupReport {
  const copy = openCopy(path);
  try {
    const said = copy.pragma('integrity_check(1)', { simple: true });
    if (said !== 'ok') throw new BackupRefused('the copy is damaged: its integrity check fails');
    const takenAt = copy.prepare("select value from mark where name = 'backup-taken-at'").pluck().get();
    if (typeof takenAt !== 'string') {
      throw new BackupRefused('this is a store but no backup of one; steelyard backup makes backups, which know that they are');
    }
    return {
      takenAt,
      observations: count(copy, "select count(*) from resource_version where type = 'Observation' and superseded_seq is null"),
      unsent: count(copy, "select count(*) from outbox_item where state in ('waiting', 'parked')"),
    };
  } catch (error) {
    if (error instanceof BackupRefused || error instanceof StoreNotOpened) throw error;
    throw new BackupRefused('the copy is damaged and cannot be read', error);
  } finally {
    copy.close();
  }
}

function openCopy(path: string): Database.Database {
  try {
    return openReadOnly(path);
  } catch (error) {
    if (!(error instanceof StoreNotOpened && error.reason === 'unusable')) throw error;
    throw new BackupRefused('the file is damaged or no backup: it cannot be read as a Steelyard store', error);
  }
}

/** Read-only, so that a wrong path makes nothing. */
function openReadOnly(path: string): Database.Database {
  let store: Database.Database | undefined;
  try {
    store = new Database(path, { readonly: true, fileMustExist: true });
    const newest = count(store, 'select coalesce(max(number), 0) from migration');
    if (newest > MIGRATIONS.length) throw new StoreNotOpened('newer', newest);
    return store;
  } catch (error) {
    store?.close();
    throw error instanceof StoreNotOpened ? error : new StoreNotOpened('unusable', error);
  }
}

function count(store: Database.Database, query: string): number {
  return Number(store.prepare(query).pluck().get());
}

/** On disk under its final name, or not there at all. */
function putInPlace(partial: string, target: string): void {
  flush(partial, 'r+');
  renameSync(partial, target);
  flush(dirname(target), 'r');
}

function flush(path: string, flags: string): void {
  const descriptor = openSync(path, flags);
  try {
    fsyncSync(descriptor);
  } finally {
    closeSync(descriptor);
  }
}

/**
 * Afterwards all that was committed is in the one file, so that a crash between two renames cannot
 * part a store from its log. What is too damaged for that is set aside as it is.
 *
 * Throws BackupRefused while somebody reads the store, since its log cannot be folded then.
 */
function foldLog(target: string): void {
  let store: Database.Database | undefined;
  let isRead: boolean;
  try {
    store = new Database(target, { fileMustExist: true, timeout: READERS_LEAVE_MS });
    isRead = store.pragma('wal_checkpoint(truncate)', { simple: true }) === 1;
  } catch {
    // damaged, or not there
    isRead = false;
  } finally {
    store?.close();
  }
  if (isRead) throw new BackupRefused('something reads the store that is there, such as another command; end it first');
}

/**
 * Keeps what is there under the name that is returned; undefined when there was no store. The
 * write-ahead log goes first, and does so also when its store is gone: left behind, it would be read
 * into the new one.
 */
function setAside(target: string, now: string): string | undefined {
  const keptAs = `${target}.before-${now.replaceAll(/[-:]/g, '').replace(/\.\d+/, '')}`;
  for (const side of SIDE_FILES) if (existsSync(target + side)) renameSync(target + side, keptAs + side);
  flush(dirname(target), 'r');
  if (!existsSync(target)) return undefined;
  renameSync(target, keptAs);
  return keptAs;
}

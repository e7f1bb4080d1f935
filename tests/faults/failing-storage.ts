/**
 * Preloaded into a service process: calls of the SQLite driver fail as they do on a disk that is full
 * or breaks. Wraps the driver, so that the service itself has no seam for it. Does nothing unless
 * FAULTS_STORAGE_ERRORS is set: to a plan as JSON, which begins at once, or to `on`, when one comes
 * over the process's channel. Each error is told over that channel as it is made.
 */
import Database from 'better-sqlite3';
import { seededRandom, type Random } from '../../examples/simulator/random.ts';

export interface StorageErrors {
  readonly seed: number;
  /** The next error comes at the nth call after the last one, n drawn from 1 to this. */
  readonly spread: number;
  /** So many errors, then none any more. */
  readonly most: number;
}

/**
 * What a failed call leaves behind (sqlite.org, "Result and Error Codes", "Automatic ROLLBACK"):
 * nothing done and the transaction open; the transaction rolled back by SQLite itself; or a commit
 * that is on disk although the flush was reported as failed.
 */
export type Manner = 'nothing done' | 'rolled back' | 'committed';

const REFUSALS = ['SQLITE_IOERR_WRITE', 'SQLITE_IOERR_READ', 'SQLITE_BUSY', 'SQLITE_NOMEM'] as const;

let random: Random | undefined;
let plan: StorageErrors | undefined;
let made = 0;
let callsToGo = 0;
/** Commits are few among the calls and matter most: half of the errors wait for one. */
let waitsForCommit = false;

function begin(next: StorageErrors): void {
  plan = next;
  random = seededRandom(next.seed);
  made = 0;
  drawNext();
}

function drawNext(): void {
  if (plan === undefined || random === undefined) return;
  if (made >= plan.most) plan = undefined;
  else {
    // a disk that breaks rarely fails once: one in four follows close upon the one before
    callsToGo = random.whole(1, random.whole(1, 4) === 1 ? 3 : plan.spread);
    waitsForCommit = random.whole(0, 1) === 1;
  }
}

const driver = Database.prototype;
const original = { ...driver };

/** Runs the call, unless its turn to fail has come. */
function counted<Result>(database: Database.Database, text: string, act: () => Result): Result {
  if (plan === undefined || random === undefined || (callsToGo -= 1) > 0) return act();
  const isCommit = /^commit\b/i.test(text);
  if (waitsForCommit && !isCommit) return act();
  made += 1;
  const draw = random.whole(1, 3);
  drawNext();
  if (isCommit && draw === 1) {
    act();
    throw failure('committed', 'SQLITE_IOERR_FSYNC');
  }
  if (draw === 2 && database.inTransaction) {
    original.exec.call(database, 'rollback');
    throw failure('rolled back', 'SQLITE_FULL');
  }
  throw failure('nothing done', REFUSALS[made % REFUSALS.length] ?? 'SQLITE_IOERR');
}

function failure(storageError: Manner, code: string): Error {
  process.send?.({ storageError });
  return new Database.SqliteError('a planned storage error', code);
}

if (process.env['FAULTS_STORAGE_ERRORS'] !== undefined) {
  driver.prepare = function (this: Database.Database, text: string) {
    const statement = counted(this, text, () => original.prepare.call(this, text));
    for (const name of ['run', 'get', 'all'] as const) {
      const act = statement[name].bind(statement) as (...parameters: unknown[]) => never;
      statement[name] = (...parameters: unknown[]) => counted(this, text, () => act(...parameters));
    }
    return statement;
  } as typeof driver.prepare;
  driver.exec = function (this: Database.Database, text: string) {
    return counted(this, text, () => original.exec.call(this, text));
  };
  driver.pragma = function (this: Database.Database, ...parameters: Parameters<typeof driver.pragma>) {
    return counted(this, parameters[0], () => original.pragma.apply(this, parameters));
  };
  const atOnce = process.env['FAULTS_STORAGE_ERRORS'];
  if (atOnce !== 'on') begin(JSON.parse(atOnce) as StorageErrors);
  process.on('message', (message: { readonly storageErrors?: StorageErrors }) => {
    if (message.storageErrors !== undefined) begin(message.storageErrors);
  });
  // being listened to must not keep a service alive that wants to end
  process.channel?.unref();
}

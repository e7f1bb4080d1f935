/** Why a store could not be opened, in words for the person who starts the service. */
export type NotOpenedReason = 'in-use' | 'newer' | 'older' | 'missing' | 'damaged' | 'unreachable' | 'encoding' | 'unusable';

const WORDS: Readonly<Record<NotOpenedReason, string>> = {
  'in-use': 'another running process has this store open; stop it first, or give this one a store of its own',
  newer: 'this store was written by a newer release; start that release, or restore a backup that is older',
  older:
    'this store was written by an earlier release, or is empty; run steelyard migrate, or start the service of this release on it once, which brings it up to date',
  missing: 'there is no Steelyard store in this database; see that its name is right, or start the service on it once, which makes one',
  unreachable:
    'the database does not answer or does not let this service in; see that it runs at that address, and that database, user and password are right',
  encoding: 'the database keeps texts in another encoding than UTF8; make one with encoding UTF8',
  unusable:
    'this store cannot be opened; see that the folder of its file exists and may be written to, or that the user may make tables in its database, and that what is there is a Steelyard store',
  damaged:
    'this store is damaged, so that it could answer with wrong numbers; keep the file for whoever looks into it, and restore a backup',
};

export class StoreNotOpened extends Error {
  readonly reason: NotOpenedReason;
  constructor(reason: NotOpenedReason, cause?: unknown) {
    super(WORDS[reason] + codeOf(cause), cause === undefined ? undefined : { cause });
    this.name = 'StoreNotOpened';
    this.reason = reason;
  }
}

/** The database's own code says what to look at; its message may quote what is private. */
function codeOf(error: unknown): string {
  if (!(error instanceof Error)) return '';
  if (error.cause !== undefined) return codeOf(error.cause);
  return 'code' in error && typeof error.code === 'string' && /^[A-Z0-9_]{1,40}$/.test(error.code) ? ` (${error.code})` : '';
}

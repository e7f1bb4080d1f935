/** Why a store could not be opened, in words for the person who starts the service. */
export type NotOpenedReason = 'in-use' | 'newer' | 'older' | 'damaged' | 'unusable';

const WORDS: Readonly<Record<NotOpenedReason, string>> = {
  'in-use': 'another running process has this store open; stop it first, or give this one a store of its own',
  newer: 'this store was written by a newer release; start that release, or restore a backup that is older',
  older: 'this store was written by an earlier release; start the service of this release on it once, which brings it up to date',
  damaged:
    'this store is damaged, so that it could answer with wrong numbers; keep the file for whoever looks into it, and restore a backup',
  unusable: 'this store cannot be opened; see that the folder exists, may be written to, and that the file is a Steelyard store',
};

export class StoreNotOpened extends Error {
  readonly reason: NotOpenedReason;
  constructor(reason: NotOpenedReason, cause?: unknown) {
    super(WORDS[reason], cause === undefined ? undefined : { cause });
    this.name = 'StoreNotOpened';
    this.reason = reason;
  }
}

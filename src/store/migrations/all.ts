/** Every migration, in order. A released one is never edited: what changes is a new number. */
import type { Migration } from '../migrator.ts';
import { firstTables } from './0001-first-tables.ts';
import { personAsSent } from './0002-person-as-sent.ts';
import { scaleByTime } from './0003-scale-by-time.ts';
import { outboxDistrust } from './0007-outbox-distrust.ts';

export const MIGRATIONS: readonly Migration[] = [firstTables, personAsSent, scaleByTime, outboxDistrust];

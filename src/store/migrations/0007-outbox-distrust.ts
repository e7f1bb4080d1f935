/** Since when the store is not believed about what the EHR has: one row, after a restore. */
import type { Migration } from '../migrator.ts';

export const outboxDistrust: Migration = {
  number: 4,
  name: 'outbox-distrust',
  statements: ['create table outbox_distrust (id integer primary key check (id = 1), since text not null) strict'],
};

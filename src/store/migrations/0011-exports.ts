/** Bulk exports: which versions a job looks at, and how many of them each of its parts has. */
import type { Migration } from '../migrator.ts';

export const exports: Migration = {
  number: 11,
  name: 'exports',
  statements: [
    `create table export_job (
      number integer primary key autoincrement,
      id text not null unique,
      client text,
      request text not null,
      since text,
      snapshot integer not null check (snapshot >= 0),
      transaction_time text not null,
      counted_seq integer not null check (counted_seq >= 0 and counted_seq <= snapshot),
      counts text not null,
      created_ms integer not null,
      expires_ms integer not null
    ) strict`,
  ],
};

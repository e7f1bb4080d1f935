/**
 * Versions and what they are searched by, fingerprints, refusals, the outbox, copies at the EHR.
 *
 * AUTOINCREMENT wherever a number is handed out: without it SQLite reuses the numbers of an
 * emptied table, and a reader that continues "after n" would skip rows.
 */
import type { Migration } from '../migrator.ts';

export const firstTables: Migration = {
  number: 1,
  name: 'first-tables',
  statements: [
    `create table resource_version (
      seq integer primary key autoincrement,
      type text not null,
      id text not null,
      version integer not null check (version > 0),
      last_updated text not null unique,
      content text not null,
      superseded_seq integer check (superseded_seq > seq),
      unique (id, type, version)
    ) strict`,
    'create index resource_version_by_type on resource_version (type, last_updated)',

    `create table observation (
      seq integer primary key references resource_version (seq),
      person text not null,
      person_as_sent text,
      moves integer not null check (moves >= 0),
      quantified text not null check (quantified in ('weight', 'height', 'bmi')),
      status text not null,
      held integer not null check (held in (0, 1)),
      start_ms integer not null,
      end_ms integer not null check (end_ms >= start_ms),
      device text,
      reading text,
      standing text
    ) strict`,
    'create index observation_by_person on observation (person, start_ms)',
    'create index observation_by_logical_person on observation (person_as_sent) where person_as_sent is not null',
    'create index observation_by_device on observation (device) where device is not null',
    "create index observation_by_rare_status on observation (status) where status <> 'final'",
    'create index observation_by_start on observation (start_ms)',

    `create table search_token (
      seq integer not null references resource_version (seq),
      role text not null,
      system text not null,
      value text not null,
      primary key (seq, role, value, system)
    ) strict, without rowid`,
    'create index search_token_by_value on search_token (role, value, system, seq)',

    `create table fingerprint (
      number integer primary key autoincrement,
      fingerprint text not null,
      observation_id text not null,
      unique (fingerprint, observation_id)
    ) strict`,

    `create table refusal (
      number integer primary key autoincrement,
      id text not null unique,
      received_at text not null,
      content text not null,
      outcome text not null
    ) strict`,

    `create table outbox_item (
      number integer primary key autoincrement,
      person text not null,
      state text not null check (state in ('waiting', 'parked', 'sent', 'discarded')),
      tries integer not null,
      due_ms integer not null,
      leased_until_ms integer,
      reason text,
      blocked_by integer references outbox_item (number),
      queued_at text not null,
      resources text not null
    ) strict`,
    'create index outbox_item_by_state on outbox_item (state, person, number)',
    'create index outbox_item_by_blocker on outbox_item (blocked_by)',

    `create table outbox_concern (
      number integer not null references outbox_item (number),
      position integer not null,
      observation_id text not null,
      primary key (number, position)
    ) strict, without rowid`,
    'create index outbox_concern_by_observation on outbox_concern (observation_id, number)',

    `create table ehr_copy (
      type text not null,
      id text not null,
      reference text not null,
      version integer not null,
      primary key (type, id)
    ) strict, without rowid`,

    'create table health (id integer primary key check (id = 1), checks integer not null) strict',
    'insert into health (id, checks) values (1, 0)',
  ],
  // The conditions of `search-filters.ts` and `paging.ts` that hide a column from SQLite's planner hide it
  // from PostgreSQL's too; counted as they stand, it knows that they are true of nearly every row, and
  // reads in the order asked for (200,000 Observations: a page in 9 ms, not 700).
  postgresStatistics: [
    'create statistics resource_version_seen on (+seq) from resource_version',
    "create statistics resource_version_of_type on (coalesce(type, '')) from resource_version",
    'create statistics observation_unheld on (coalesce(held, 0)) from observation',
    "create statistics observation_of_status on (coalesce(status, '')) from observation",
    'create statistics search_token_together (dependencies, mcv) on role, value, system from search_token',
  ],
};

/**
 * Who did what: events in one chain, what they concern, and the two ends of the chain. The numbers
 * are handed out through the row `head`, which one unit of work at a time can hold: there are no gaps,
 * and a number that was given is never given again.
 */
import type { Migration } from '../migrator.ts';

/** The hash before the first event. */
const NOTHING = '0'.repeat(64);

export const audit: Migration = {
  number: 4,
  name: 'audit',
  statements: [
    `create table audit_event (
      number integer primary key,
      recorded_ms integer not null,
      action text not null,
      outcome text not null,
      interaction text,
      event text,
      client text,
      user_id text,
      content text not null,
      previous_hash text not null,
      hash text not null
    ) strict`,
    'create index audit_event_by_time on audit_event (recorded_ms)',
    'create index audit_event_by_client on audit_event (client, number) where client is not null',
    'create index audit_event_by_kind on audit_event (event, number) where event is not null',
    'create index audit_event_by_user on audit_event (user_id, number) where user_id is not null',

    `create table audit_reference (
      number integer not null references audit_event (number),
      reference text not null,
      primary key (number, reference)
    ) strict, without rowid`,
    'create index audit_reference_by_reference on audit_reference (reference, number)',

    `create table audit_place (
      name text primary key check (name in ('head', 'anchor')),
      number integer not null check (number >= 0),
      hash text not null
    ) strict, without rowid`,
    `insert into audit_place (name, number, hash) values ('head', 0, '${NOTHING}')`,
    `insert into audit_place (name, number, hash) values ('anchor', 0, '${NOTHING}')`,
  ],
};

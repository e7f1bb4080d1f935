/**
 * Subscriptions and what each of them was told, by number. An event outlives the version that it
 * speaks of (`seq` is null once a person was removed), so that the numbers stay without a gap.
 */
import type { Migration } from '../migrator.ts';

export const subscriptions: Migration = {
  number: 10,
  name: 'subscriptions',
  statements: [
    `create table subscription (
      number integer primary key autoincrement,
      id text not null unique,
      content text not null,
      filter text not null,
      ends_ms integer,
      state text not null check (state in ('requested', 'active', 'error', 'off')),
      error text,
      greeted integer not null check (greeted in (0, 1)),
      scanned_seq integer not null check (scanned_seq >= 0),
      numbered integer not null check (numbered >= 0),
      delivered integer not null check (delivered >= 0 and delivered <= numbered),
      claims integer not null,
      leased_until_ms integer,
      due_ms integer not null,
      failures integer not null,
      failing_since_ms integer,
      updated_at text not null
    ) strict`,

    `create table subscription_event (
      subscription integer not null references subscription (number),
      number integer not null check (number > 0),
      seq integer references resource_version (seq),
      numbered_at text not null,
      primary key (subscription, number)
    ) strict, without rowid`,
    'create index subscription_event_by_version on subscription_event (seq) where seq is not null',
  ],
};

/**
 * What the store remembers of itself (that it is a copy, when it was restored), and the people of
 * whom nothing may be removed.
 */
import type { Migration } from '../migrator.ts';

export const marks: Migration = {
  number: 5,
  name: 'marks',
  statements: [
    'create table mark (name text primary key, value text not null) strict, without rowid',
    'create table legal_hold (person text primary key, reason text not null, since text not null) strict, without rowid',
  ],
};

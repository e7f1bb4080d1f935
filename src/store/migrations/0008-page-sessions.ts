/**
 * Who is signed in to the pages for people. Here, so that every replica knows it and signing out
 * counts everywhere at once; of a session's id only a digest, so that no copy of the store lets
 * anybody in.
 */
import type { Migration } from '../migrator.ts';

export const pageSessions: Migration = {
  number: 8,
  name: 'page-sessions',
  statements: [
    `create table page_session (
      digest text primary key,
      issuer text not null,
      subject text not null,
      fhir_user text,
      name text,
      roles text not null,
      created_ms integer not null,
      used_ms integer not null,
      expires_ms integer not null
    ) strict, without rowid`,
    'create index page_session_by_person on page_session (issuer, subject, used_ms)',
    'create index page_session_by_use on page_session (used_ms)',
  ],
};

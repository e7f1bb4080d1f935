/** Every migration, in order. A released one is never edited: what changes is a new number. */
import type { Migration } from '../migrator.ts';
import { firstTables } from './0001-first-tables.ts';
import { personAsSent } from './0002-person-as-sent.ts';
import { scaleByTime } from './0003-scale-by-time.ts';
import { audit } from './0004-audit.ts';
import { marks } from './0005-marks.ts';
import { outboxRequestId } from './0006-outbox-request-id.ts';
import { versionSalt } from './0007-version-salt.ts';
import { pageSessions } from './0008-page-sessions.ts';
import { refusalClient } from './0009-refusal-client.ts';
import { subscriptions } from './0010-subscriptions.ts';
import { exports } from './0011-exports.ts';

export const MIGRATIONS: readonly Migration[] = [
  firstTables,
  personAsSent,
  scaleByTime,
  audit,
  marks,
  outboxRequestId,
  versionSalt,
  pageSessions,
  refusalClient,
  subscriptions,
  exports,
];

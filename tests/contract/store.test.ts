/** What every store keeps to, whatever database is under it. */
import { describe } from 'vitest';
import { STORE_FACTORIES } from './store-factories.ts';
import { auditSuite } from './suites/audit.ts';
import { exportsSuite } from './suites/exports.ts';
import { durabilitySuite } from './suites/durability.ts';
import { groupCommitSuite } from './suites/group-commit.ts';
import { observationSearchSuite } from './suites/observation-search.ts';
import { outboxClaimsSuite } from './suites/outbox-claims.ts';
import { outboxRestoreSuite } from './suites/outbox-restore.ts';
import { outboxSuite } from './suites/outbox.ts';
import { outboxWithdrawalSuite } from './suites/outbox-withdrawal.ts';
import { outboxParkingSuite } from './suites/outbox-parking.ts';
import { pagingSuite } from './suites/paging.ts';
import { readingsSuite } from './suites/readings.ts';
import { registrySuite } from './suites/registry.ts';
import { sessionsSuite } from './suites/sessions.ts';
import { subscriptionsSuite } from './suites/subscriptions.ts';
import { versionsSuite } from './suites/versions.ts';

describe.each(STORE_FACTORIES)('the store on $name', (factory) => {
  versionsSuite(factory);
  readingsSuite(factory);
  observationSearchSuite(factory);
  pagingSuite(factory);
  registrySuite(factory);
  groupCommitSuite(factory);
  durabilitySuite(factory);
  outboxSuite(factory);
  outboxClaimsSuite(factory);
  outboxRestoreSuite(factory);
  outboxParkingSuite(factory);
  outboxWithdrawalSuite(factory);
  auditSuite(factory);
  sessionsSuite(factory);
  subscriptionsSuite(factory);
  exportsSuite(factory);
});

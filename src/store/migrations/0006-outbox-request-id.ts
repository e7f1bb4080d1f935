/** Which call an outbox item comes from, so that one id leads from the gateway to the EHR. */
import type { Migration } from '../migrator.ts';

export const outboxRequestId: Migration = {
  number: 6,
  name: 'outbox-request-id',
  statements: ['alter table outbox_item add column request_id text', 'alter table outbox_item add column trace_parent text'],
};

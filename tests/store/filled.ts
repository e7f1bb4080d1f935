/** A store with something in every table. */
import { expect } from 'vitest';
import { toAuditEvent } from '../../src/core/audit/event.ts';
import type { KeptStore } from '../../src/ports.ts';
import { NOON, outboxItem, putWeight } from '../contract/store-samples.ts';

/** One of everything, and more rows than one batch of the copy has. */
export async function fill(store: KeptStore): Promise<void> {
  await Promise.all(Array.from({ length: 1_100 }, (_, at) => putWeight(store, `w${at}`, {}, '70.50')));
  await putWeight(store, 'w0', {
    held: true,
    status: 'preliminary',
    identifiers: [{ system: 'urn:invented', value: 'Größe €\t"quoted" \\' }],
  });
  await store.write(async (tx) => {
    await tx.putRegistry('Device', 'scale', { resourceType: 'Device' }, { identifiers: [{ value: 'S-1' }], references: ['Location/ward'] });
    await tx.addFingerprint(['content', 'Patient/p1', '70'].join('\u0000'), 'w0');
    await tx.addRefusal({ id: 'r1', receivedAt: '2026-03-14T08:00:00Z', text: '{"not": "taken"}', outcome: '{}' });
    const first = await tx.enqueue(outboxItem('Patient/p1', ['w0', 'w1']));
    await tx.enqueue(outboxItem('Patient/p1', ['w0']));
    return first;
  });
  await store.outbox.park(1, 'HTTP 422');
  const third = await store.write((tx) => tx.enqueue(outboxItem('Patient/p2', ['w2'])));
  await store.outbox.markSent(third, [{ type: 'Observation', id: 'w2', reference: 'Observation/77', version: 1 }]);
  await store.outbox.distrust(NOON);
  await store.retention.hold({ person: 'Patient/p1', reason: 'court order 12', since: '2026-03-14T08:00:00Z' });
  await store.sessions.open(
    {
      digest: 'd'.repeat(64),
      issuer: 'https://id.example',
      subject: 's',
      roles: ['reviewer'],
      createdMs: NOON,
      usedMs: NOON,
      expiresMs: NOON + 1,
    },
    toAuditEvent({ recordedMs: NOON, event: 'sign-in', outcome: 'success' }),
  );
  const call = { requestId: 'r1', caller: { client: 'ehr' } };
  await store.subscriptions.add({ id: 's1', text: '{"resourceType":"Subscription"}', filter: {} }, 9, NOON, call);
  await putWeight(store, 'w3');
  expect((await store.subscriptions.events('s1', { to: 9, limit: 9 }, NOON))?.events).toHaveLength(1);
  await store.exports.begin(
    { id: 'e1', request: 'http://127.0.0.1/fhir/$export', createdMs: NOON, expiresMs: NOON + 1 },
    { mostPerClient: 1, most: 1 },
    call,
  );
  await store.exports.advance('e1');
  await store.isReady();
}

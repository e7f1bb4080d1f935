/** One id leads from the gateway's request through our log to the call that the EHR receives. */
import { describe, expect, it } from 'vitest';
import { requestIdOf } from '../../src/forward/request-id.ts';
import { startRunning, until } from './running.ts';

describe('the X-Request-Id of a gateway', () => {
  it('is answered, logged with what was forwarded, and sent on to the EHR', async () => {
    const service = await startRunning();
    const answer = await service.weigh('70.0', { headers: { 'X-Request-Id': 'gateway-3.0017' } });
    expect([answer.status, answer.headers['x-request-id']]).toEqual([201, 'gateway-3.0017']);
    await until(() => service.logged().some(({ msg }) => msg === 'forwarded'));
    expect(service.receiver.requests().map(({ headers }) => headers['x-request-id'])).toEqual(['gateway-3.0017']);
    const lines = service.logged().filter(({ requestId }) => requestId === 'gateway-3.0017');
    expect(lines.map(({ msg, item, tries }) => [msg, item, tries])).toEqual([
      ['answered', undefined, undefined],
      ['forwarded', 1, 1],
    ]);
  });

  it('stays with a reading over tries that fail and look-ups', async () => {
    const service = await startRunning({ receiver: { faults: [{ do: 'apply-then', then: { spoil: 'reset' } }] } });
    await service.weigh('70.0', { headers: { 'X-Request-Id': 'gateway-3.0018' } });
    await until(() => service.logged().some(({ msg }) => msg === 'postponed'));
    service.clock.advance(600_000);
    await until(() => service.logged().some(({ msg }) => msg === 'forwarded'));
    const received = service.receiver.requests();
    expect(received.length).toBeGreaterThan(1);
    expect(new Set(received.map(({ headers }) => headers['x-request-id']))).toEqual(new Set(['gateway-3.0018']));
  });

  it.each(['', 'a b', 'x'.repeat(65), 'ä', '../../etc'])('is not taken when it is %j: the service gives its own', async (sent) => {
    const service = await startRunning();
    const { headers } = await service.weigh('70.0', { headers: { 'X-Request-Id': Buffer.from(sent).toString('latin1') } });
    expect(headers['x-request-id']).toMatch(/^[0-9a-f-]{36}$/);
    await until(() => service.receiver.requests().length > 0);
    expect(service.receiver.requests()[0]?.headers['x-request-id']).toBe(headers['x-request-id']);
  });
});

it('an item that comes from no call is named by its number and try', () => {
  expect(requestIdOf({ number: 12, tries: 3 })).toBe('outbox-12-3');
});

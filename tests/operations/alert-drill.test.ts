/**
 * Every alert is brought about and cleared again: on the service as it runs where the cause can be
 * made, else through the port by which the part that notices it reports.
 */
import { readFileSync, writeFileSync } from 'node:fs';
import { connect } from 'node:net';
import { join } from 'node:path';
import { setTimeout as pause } from 'node:timers/promises';
import { describe, expect, test } from 'vitest';
import { createMetrics, type Metrics } from '../../src/metrics.ts';
import type { Store } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { steelyard } from '../cli/command.ts';
import { putWeight } from '../contract/store-samples.ts';
import { startEdge } from '../http/edge.ts';
import { MORNING, startRunning, until } from './running.ts';
import { ALERT_NAMES, watch, type Watcher } from './watcher.ts';

const drilled = new Set<string>();

/** A drill by the name of its alert. */
function drill(alert: string, what: string, work: () => Promise<void>): void {
  drilled.add(alert);
  test(`${alert}: ${what}`, work);
}

interface Watched {
  readonly metrics: Metrics;
  readonly watcher: Watcher;
  readonly clock: { nowMs(): number; advance(ms: number): void };
  readonly port: number;
  readonly store: Store;
}

/** The HTTP edge over a store and metrics that the test holds in its hands. */
async function startWatched(options: { readonly spoil?: (store: Store) => Store; readonly free?: () => number } = {}): Promise<Watched> {
  let nowMs = MORNING;
  const clock = { nowMs: () => nowMs, advance: (ms: number) => void (nowMs += ms) };
  const opened = await openSqliteStore(':memory:', { clock });
  const store = options.spoil?.(opened) ?? opened;
  const askDisk = () => Promise.resolve({ bavail: options.free?.() ?? 50, blocks: 100, bsize: 4096 });
  const metrics = createMetrics(store, clock, { storeFolder: '.', askDisk });
  const { port } = await startEdge({ serving: { store, metrics } });
  return { metrics, watcher: watch({ port, clock }), clock, port, store };
}

describe('readings on their way', () => {
  drill('SteelyardReadingsUnsent', 'the EHR asks for an hour of patience; then it takes the reading', async () => {
    const faults = [{ do: 'answer', status: 503, headers: { 'retry-after': '3600' } }] as const;
    const service = await startRunning({ receiver: { faults } });
    const watcher = watch(service);
    await service.weigh('70.0');
    await until(() => service.logged().some(({ kind }) => kind === 'transient'));
    await watcher.isQuiet('SteelyardReadingsUnsent');
    service.clock.advance(301_000);
    await watcher.fires('SteelyardReadingsUnsent');
    service.clock.advance(3_600_000);
    await until(() => service.logged().some(({ msg }) => msg === 'forwarded'));
    await watcher.isQuiet('SteelyardReadingsUnsent');
  });

  drill('SteelyardForwardingPaused', 'the EHR lets nobody in; then it does again', async () => {
    const service = await startRunning({ receiver: { faults: [{ do: 'answer', status: 403 }] } });
    const watcher = watch(service);
    await watcher.isQuiet('SteelyardForwardingPaused');
    await service.weigh('70.0');
    await watcher.until('SteelyardForwardingPaused', 'fires');
    service.clock.advance(600_000);
    await watcher.until('SteelyardForwardingPaused', 'is quiet');
    expect(service.receiver.resources().length).toBeGreaterThan(0);
  });

  drill('SteelyardReadingsParked', 'the EHR refuses a reading for good; it is retried as the page says', async () => {
    const service = await startRunning({ receiver: { faults: [{ do: 'answer', status: 422 }] } });
    const watcher = watch(service);
    await watcher.isQuiet('SteelyardReadingsParked');
    await service.weigh('70.0');
    await watcher.until('SteelyardReadingsParked', 'fires');
    const env = { STEELYARD_DATABASE: join(service.folder, 'ward.db') };
    expect((await steelyard(['outbox', 'list', '--state', 'parked'], { env })).stdout).toContain('1 parked');
    expect((await steelyard(['outbox', 'retry', '1'], { env })).exitCode).toBe(0);
    // due by the clock on the wall, which is far from the drill's: due at once, and a step of the drill's would cut the attempt off
    await watcher.until('SteelyardReadingsParked', 'is quiet');
    await until(() => service.logged().some(({ msg }) => msg === 'forwarded'));
  });

  drill('SteelyardReadingsHeld', 'a reading that nobody can believe waits; somebody decides', async () => {
    const service = await startRunning();
    const watcher = watch(service);
    await service.weigh('70.0');
    service.clock.advance(3_600_000);
    const { status, headers } = await service.weigh('95.0');
    expect(status).toBe(202);
    service.clock.advance(900_000);
    await watcher.isQuiet('SteelyardReadingsHeld');
    service.clock.advance(1_000);
    await watcher.fires('SteelyardReadingsHeld');
    const { pathname } = new URL(String(headers.location).replace(/\/_history\/.*$/, ''));
    expect((await service.decide(pathname, 'keep')).status).toBe(200);
    await watcher.isQuiet('SteelyardReadingsHeld');
  });

  drill('SteelyardReadBackDiffers', 'what the EHR keeps was found to differ once', async () => {
    const { metrics, watcher } = await startWatched();
    metrics.readBack('same');
    await watcher.isQuiet('SteelyardReadBackDiffers');
    metrics.readBack('differs');
    await watcher.fires('SteelyardReadBackDiffers');
    metrics.readBack('same');
    await watcher.isQuiet('SteelyardReadBackDiffers');
  });
});

describe('subscribers', () => {
  const anEhr = { id: 's1', text: '{"resourceType":"Subscription"}', filter: {} };
  const call = { requestId: 'drill', caller: {} };

  drill('SteelyardSubscriberBehind', 'a subscriber takes nothing for five minutes, and then what there is', async () => {
    const { watcher, clock, store } = await startWatched();
    await store.subscriptions.add(anEhr, 9, clock.nowMs(), call);
    await putWeight(store, 'w1');
    clock.advance(300_000);
    await watcher.isQuiet('SteelyardSubscriberBehind');
    clock.advance(1_000);
    await watcher.fires('SteelyardSubscriberBehind');
    const [claimed] = await store.subscriptions.claim(clock.nowMs(), 60_000, 1);
    if (claimed === undefined) throw new Error('there is nothing to tell');
    await store.subscriptions.markDelivered(claimed, 0, clock.nowMs());
    const events = await store.subscriptions.nextEvents(claimed, 9, clock.nowMs());
    await store.subscriptions.markDelivered(claimed, events.at(-1)?.number ?? 0, clock.nowMs());
    await watcher.isQuiet('SteelyardSubscriberBehind');
  });

  drill('SteelyardSubscriptionOff', 'the store was put back from a backup; the subscriber deletes its Subscription', async () => {
    const { watcher, clock, store } = await startWatched();
    await store.subscriptions.add(anEhr, 9, clock.nowMs(), call);
    await watcher.isQuiet('SteelyardSubscriptionOff');
    await store.outbox.distrust(clock.nowMs());
    await watcher.fires('SteelyardSubscriptionOff', { status: 'off' });
    await store.subscriptions.remove(anEhr.id, clock.nowMs(), call);
    await watcher.isQuiet('SteelyardSubscriptionOff');
  });
});

describe('gateways that speak HL7 v2', () => {
  const mllpPortOf = ({ mllp = '' }: { readonly mllp?: string }): number => Number(new URL(mllp).port);

  /** Sends bytes; resolves once the service has said enough, or closes. */
  async function say(port: number, bytes: string, isEnough: (heard: string) => boolean): Promise<void> {
    const socket = connect(port, '127.0.0.1');
    let heard = '';
    const isOver = new Promise<void>((resolve, reject) => {
      socket.on('data', (chunk) => isEnough((heard += chunk.toString('latin1'))) && resolve());
      socket.on('close', () => resolve());
      socket.on('error', reject);
    });
    socket.write(bytes);
    await isOver;
    socket.destroy();
  }

  drill('SteelyardMllpRejected', 'a message that is none is answered AR', async () => {
    const service = await startRunning({ forwards: false, settings: { STEELYARD_MLLP_PORT: '0' } });
    const watcher = watch(service);
    await watcher.isQuiet('SteelyardMllpRejected');
    await say(mllpPortOf(service.running), '\x0bMSH|^~\\&|A|B|C|D|20260302080000||ADT^A01|1|P|2.6\r\x1c\r', (heard) =>
      heard.includes('\x1c'),
    );
    await watcher.until('SteelyardMllpRejected', 'fires');
    await watcher.isQuiet('SteelyardMllpRejected');
  });

  drill('SteelyardMllpFaults', 'something that does not speak MLLP calls again and again', async () => {
    const service = await startRunning({ forwards: false, settings: { STEELYARD_MLLP_PORT: '0' } });
    const watcher = watch(service);
    await watcher.isQuiet('SteelyardMllpFaults');
    for (let turn = 0; turn < 11; turn += 1) await say(mllpPortOf(service.running), 'GET / HTTP/1.1 '.repeat(5_000), () => false);
    await watcher.until('SteelyardMllpFaults', 'fires');
    await watcher.isQuiet('SteelyardMllpFaults');
  });
});

describe('gateways', () => {
  drill('SteelyardGatewaySilent', 'a gateway that is expected every 15 minutes says nothing for longer', async () => {
    const { metrics, watcher, clock, port } = await startWatched();
    metrics.expectGateways(new Map([['anybody', 900]]));
    clock.advance(900_000);
    await watcher.isQuiet('SteelyardGatewaySilent');
    clock.advance(1_000);
    await watcher.fires('SteelyardGatewaySilent', { client: 'anybody' });
    await fetch(`http://127.0.0.1:${port}/fhir/metadata`);
    await watcher.until('SteelyardGatewaySilent', 'is quiet');
  });

  drill('SteelyardGatewayClock', 'a gateway’s clock is two minutes ahead, and is put right', async () => {
    const { watcher, clock, port } = await startWatched();
    const call = (aheadMs: number): Promise<Response> =>
      fetch(`http://127.0.0.1:${port}/fhir/metadata`, { headers: { Date: new Date(clock.nowMs() + aheadMs).toUTCString() } });
    await call(0);
    await watcher.isQuiet('SteelyardGatewayClock');
    await call(120_000);
    await watcher.until('SteelyardGatewayClock', 'fires');
    await call(0);
    await watcher.until('SteelyardGatewayClock', 'is quiet');
  });
});

describe('the store and what it stands on', () => {
  drill('SteelyardStoreDown', 'the store does not answer for a while', async () => {
    let isDown = false;
    const spoil = (store: Store): Store =>
      new Proxy(store, {
        get(target, name) {
          if (name === 'outbox' && isDown) return { ...target.outbox, counts: () => Promise.reject(new Error('gone')) };
          const member: unknown = Reflect.get(target, name, target);
          return typeof member === 'function' ? (member.bind(target) as unknown) : member;
        },
      });
    const { watcher } = await startWatched({ spoil });
    await watcher.isQuiet('SteelyardStoreDown');
    isDown = true;
    await watcher.fires('SteelyardStoreDown');
    isDown = false;
    await watcher.isQuiet('SteelyardStoreDown');
  });

  drill('SteelyardDiskLow', 'the disk fills up, and room is made', async () => {
    let free = 10;
    const { watcher } = await startWatched({ free: () => free });
    await watcher.isQuiet('SteelyardDiskLow');
    free = 9;
    await watcher.fires('SteelyardDiskLow');
    free = 40;
    await watcher.isQuiet('SteelyardDiskLow');
  });

  drill('SteelyardAuditUnwritten', 'audit events wait in memory until the store takes them', async () => {
    const { metrics, watcher } = await startWatched();
    let unwritten = 0;
    metrics.figure('steelyard_audit_unwritten', () => unwritten);
    await watcher.isQuiet('SteelyardAuditUnwritten');
    unwritten = 3;
    await watcher.fires('SteelyardAuditUnwritten');
    unwritten = 0;
    await watcher.isQuiet('SteelyardAuditUnwritten');
  });

  drill('SteelyardAuditChainBroken', 'a verification finds the chain broken, a later one finds it whole', async () => {
    const { metrics, watcher } = await startWatched();
    let isBroken: boolean | undefined;
    metrics.figure('steelyard_audit_chain_broken', () => (isBroken === undefined ? undefined : Number(isBroken)));
    await watcher.isQuiet('SteelyardAuditChainBroken');
    isBroken = true;
    await watcher.fires('SteelyardAuditChainBroken');
    isBroken = false;
    await watcher.isQuiet('SteelyardAuditChainBroken');
  });
});

describe('the process', () => {
  drill('SteelyardEventLoopDelayed', 'something keeps the process busy for seconds', async () => {
    const service = await startRunning();
    const watcher = watch(service);
    await watcher.until('SteelyardEventLoopDelayed', 'is quiet');
    await pause(50); // what is measured anew begins with the second turn
    const busyUntil = performance.now() + 1_500;
    while (performance.now() < busyUntil);
    await pause(20); // the delay is measured once the process has a moment
    await watcher.fires('SteelyardEventLoopDelayed');
    await watcher.until('SteelyardEventLoopDelayed', 'is quiet');
  });

  drill('SteelyardRequestsShed', 'more than ten requests were refused for want of room; a shutdown is none', async () => {
    const { metrics, watcher } = await startWatched();
    await watcher.isQuiet('SteelyardRequestsShed');
    for (let count = 0; count < 20; count += 1) metrics.shed('stopping');
    await watcher.isQuiet('SteelyardRequestsShed');
    for (let count = 0; count < 11; count += 1) metrics.shed('at-work');
    await watcher.fires('SteelyardRequestsShed', { reason: 'at-work' });
    await watcher.isQuiet('SteelyardRequestsShed');
  });

  drill('SteelyardRequestsThrottled', 'more than ten requests were answered 429', async () => {
    const { metrics, watcher } = await startWatched();
    const answered = (status: number): void => metrics.request({ method: 'POST', route: '/fhir/Observation', status, durationMs: 1 });
    await watcher.isQuiet('SteelyardRequestsThrottled');
    for (let count = 0; count < 11; count += 1) answered(429);
    await watcher.fires('SteelyardRequestsThrottled');
    for (let count = 0; count < 11; count += 1) answered(201);
    await watcher.isQuiet('SteelyardRequestsThrottled');
  });

  drill('SteelyardExpiresSoon', 'a certificate has 14 days left, and is replaced', async () => {
    const { metrics, watcher, clock } = await startWatched();
    let expiresAt = clock.nowMs() / 1000 + 15 * 86_400;
    metrics.figure('steelyard_expiry_timestamp_seconds', () => expiresAt, { what: 'ehr-certificate' });
    await watcher.isQuiet('SteelyardExpiresSoon');
    clock.advance(86_400_000 + 1_000);
    await watcher.fires('SteelyardExpiresSoon', { what: 'ehr-certificate' });
    expiresAt += 365 * 86_400;
    await watcher.isQuiet('SteelyardExpiresSoon');
  });

  drill('SteelyardPolicyReloadFailed', 'a broken policy file is loaded, and mended', async () => {
    const folder = (await startRunning({ forwards: false })).folder;
    const file = join(folder, 'policy.json');
    writeFileSync(file, '{"time.oldestDays": 20}');
    const service = await startRunning({ forwards: false, settings: { STEELYARD_POLICY: file } });
    const watcher = watch(service);
    const sound = readFileSync(file, 'utf8');
    for (const [text, state] of [
      [sound, 'isQuiet'],
      ['{"time.oldest', 'fires'],
      [sound, 'isQuiet'],
    ] as const) {
      writeFileSync(file, text);
      service.running.reloadPolicy();
      await watcher[state]('SteelyardPolicyReloadFailed');
    }
  });

  drill('SteelyardDown', 'a replica is gone; another one answers', async () => {
    const service = await startRunning({ forwards: false });
    const watcher = watch(service);
    await watcher.isQuiet('SteelyardDown');
    await service.running.stop();
    await watcher.fires('SteelyardDown', { job: 'steelyard' });
    await watch(await startRunning({ forwards: false })).isQuiet('SteelyardDown');
  });
});

test('every alert has its drill', () => {
  expect([...drilled].sort()).toEqual([...ALERT_NAMES].sort());
});

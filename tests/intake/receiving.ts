/** The real listener, engine and embedded store on loopback, with the clock that a test gives. */
import { randomUUID } from 'node:crypto';
import { AuditTrail } from '../../src/audit-trail.ts';
import { ANYBODY } from '../../src/caller.ts';
import { DEFAULT_POLICY, type Policy } from '../../src/core/policy.ts';
import { createIntake } from '../../src/ingest.ts';
import type { Sender } from '../../src/intake/message-answer.ts';
import { listenMllp, MLLP_LIMITS, type MllpLimits, type MllpParts, type MllpServer } from '../../src/intake/mllp-server.ts';
import { createLog } from '../../src/log.ts';
import { createMetrics, type Metrics } from '../../src/metrics.ts';
import type { Store } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import type { TlsFiles } from '../../src/tls-files.ts';

export interface Receiving {
  readonly server: MllpServer;
  readonly store: Store;
  readonly metrics: Metrics;
  readonly logLines: readonly string[];
  close(): Promise<void>;
}

export interface ReceivingParts {
  readonly now?: string;
  readonly policy?: Policy;
  readonly limits?: Partial<MllpLimits>;
  readonly senderOf?: MllpParts['senderOf'];
  readonly systems?: ReadonlyMap<string, string>;
  readonly tls?: TlsFiles;
  /** In the place of the store for the use case alone, such as one that cannot commit. */
  readonly storeOf?: (store: Store) => Store;
  readonly shedReason?: () => string | undefined;
}

/** The morning of the messages in `messages.ts`. */
export const NOW = '2026-03-02T10:00:00Z';
const SOMEBODY: Sender = { caller: ANYBODY };

export async function startReceiving(parts: ReceivingParts = {}): Promise<Receiving> {
  const { now = NOW, policy = DEFAULT_POLICY, limits, senderOf = () => SOMEBODY, systems = new Map(), tls, storeOf, shedReason } = parts;
  const clock = { nowMs: () => Date.parse(now) };
  const store = await openSqliteStore(':memory:', { clock });
  const logLines: string[] = [];
  const log = createLog('debug', { write: (line: string) => void logLines.push(line) });
  const metrics = createMetrics(store, clock);
  const audit = new AuditTrail({ store, clock, log });
  const used = storeOf?.(store) ?? store;
  const server = await listenMllp({
    host: '127.0.0.1',
    port: 0,
    intake: (call) => createIntake({ call, store: used, clock, policy: () => policy, newId: randomUUID, knownBases: [], forwards: true }),
    clock,
    audit,
    metrics,
    log,
    systems: () => systems,
    senderOf,
    shedReason: shedReason ?? (() => undefined),
    noteFault: (reason) => metrics.mllpFault(reason),
    limits: { ...MLLP_LIMITS, ...limits },
    ...(tls && { tls }),
  });
  return {
    server,
    store,
    metrics,
    logLines,
    close: async () => {
      await server.stop(1_000);
      await audit.stop();
      await store.close();
    },
  };
}

/** The value of one series; 0 when it is not there. */
export async function counted(metrics: Metrics, series: string): Promise<number> {
  const line = (await metrics.text()).split('\n').find((one) => one.startsWith(`${series} `));
  return Number(line?.slice(series.length + 1) ?? 0);
}

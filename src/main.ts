/**
 * Composition root: config → store, intake, forwarder, app → listen. Nothing else builds edges.
 */
import { randomUUID } from 'node:crypto';
import { once } from 'node:events';
import type { Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { loadArtefacts } from './artefacts.ts';
import { ConfigError, isPostgresUrl, type Config } from './config.ts';
import { toInstant } from './core/fhir-time.ts';
import type { GrowthTables } from './core/growth/tables.ts';
import { MOVABLE_RULES, RULES } from './core/rules/index.ts';
import { EhrClient } from './forward/ehr-client.ts';
import { ForwardWorker } from './forward/worker.ts';
import { GrowthTablesError, loadGrowthTables } from './growth-tables.ts';
import { createApp } from './http/app.ts';
import { attachApp, createHttpServer } from './http/server.ts';
import { createIntake } from './ingest.ts';
import { addressOf, FHIR_PATH, knownBasesOf } from './addresses.ts';
import { createLog, type Log } from './log.ts';
import { createMetrics, type Metrics } from './metrics.ts';
import { PolicyHolder } from './policy-in-force.ts';
import type { Clock, Store } from './ports.ts';
import { openStore } from './open-store.ts';
import { loadRuleExamples } from './rule-examples.ts';
import { softwareVersion } from './version.ts';

export interface Running {
  /** Where the service listens, without a slash at its end; FHIR is below `/fhir`. */
  readonly url: string;
  /** Reads the policy file again and logs what came of it; see `PolicyHolder`. Never throws. */
  reloadPolicy(): void;
  /** Stops accepting, finishes what is in flight, closes the store. Takes 9 seconds at most. */
  stop(): Promise<void>;
}

export interface StartOptions {
  readonly clock?: Clock;
  readonly log?: Log;
}

/** In-flight requests may take so long before they are cut off, and so may sending to the EHR. */
const LONGEST_FINISH_MS = 7_000;
const IDLE_CHECK_MS = 50;

/**
 * Starts the service and resolves once it answers.
 *
 * @throws ConfigError (policy file, growth tables), StoreNotOpened, or the system's error when it cannot listen
 */
export async function start(config: Config, options: StartOptions = {}): Promise<Running> {
  const clock = options.clock ?? { nowMs: () => Date.now() };
  const log = options.log ?? createLog(config.logLevel);
  const policy = new PolicyHolder(config.policyFile, MOVABLE_RULES);
  const growth = growthTablesOf(config);
  const store = await openStore(config.database, { clock });
  try {
    return await startOn(store, { config, clock, log, policy, ...(growth && { growth }) });
  } catch (error) {
    await store.close();
    throw error;
  }
}

interface Parts {
  readonly config: Config;
  readonly clock: Clock;
  readonly log: Log;
  readonly policy: PolicyHolder;
  readonly growth?: GrowthTables;
}

function growthTablesOf({ growthTables }: Config): GrowthTables | undefined {
  try {
    return growthTables === undefined ? undefined : loadGrowthTables(growthTables);
  } catch (error) {
    if (!(error instanceof GrowthTablesError)) throw error;
    throw new ConfigError(error.problems.map((problem) => `STEELYARD_GROWTH_TABLES: ${problem}`));
  }
}

async function startOn(store: Store, parts: Parts): Promise<Running> {
  const { config, clock, log, policy, growth } = parts;
  const artefacts = loadArtefacts();
  const version = softwareVersion();
  const metrics = createMetrics(store, clock);
  const showPolicy = (): void => metrics.policy({ version: policy.current.version, lastReloadFailed: policy.lastReloadFailed });
  showPolicy();
  const ehr = config.ehrUrl === undefined ? undefined : new EhrClient({ baseUrl: config.ehrUrl });
  const worker = ehr && createWorker(ehr, store, metrics, parts);
  const server = createHttpServer();
  server.listen(config.port, config.host);
  await once(server, 'listening');

  // no request is read before this tick ends, so nobody meets a server without its app
  const url = addressOf({ host: config.host, port: (server.address() as AddressInfo).port });
  const baseUrl = config.baseUrl ?? `${url}${FHIR_PATH}`;
  let isStopping = false;
  const intakeParts = {
    store,
    clock,
    policy: () => policy.current,
    ...(growth && { growth }),
    newId: randomUUID,
    knownBases: knownBasesOf(config, url),
    forwards: worker !== undefined,
    onStored: () => worker?.wake(),
  };
  const app = createApp({
    intake: (call) => createIntake({ ...intakeParts, call }),
    store,
    artefacts,
    rules: RULES,
    examples: loadRuleExamples(),
    policy,
    metrics,
    log,
    baseUrl,
    version,
    startedAt: toInstant(clock.nowMs()),
    isStopping: () => isStopping,
  });
  attachApp(server, app);
  worker?.start();
  log.listening({ url, store: 'sqlite', policy: policy.current.version, ...(growth && { growthTables: growth.version }) });

  let stopped: Promise<void> | undefined;
  const stop = async (): Promise<void> => {
    isStopping = true;
    await Promise.all([closeServer(server), worker?.stop(LONGEST_FINISH_MS)]);
    await ehr?.close();
    await store.close();
    log.stopped();
  };
  const reloadPolicy = (): void => {
    log.reloaded(policy.reload());
    showPolicy();
  };
  return { url, reloadPolicy, stop: () => (stopped ??= stop()) };
}

function createWorker(ehr: EhrClient, store: Store, metrics: Metrics, { config, clock, log }: Parts): ForwardWorker {
  return new ForwardWorker({
    outbox: store.outbox,
    read: store.read,
    ehr,
    clock,
    log: log.forwarding,
    random: Math.random,
    isShared: isPostgresUrl(config.database),
    readBackPercent: config.readBackPercent,
    events: {
      sent: () => metrics.forwarding('sent'),
      postponed: () => metrics.forwarding('postponed'),
      parked: () => metrics.forwarding('parked'),
    },
  });
}

async function closeServer(server: Server): Promise<void> {
  const closed = once(server, 'close');
  server.close();
  // a connection that goes idle after its last answer would otherwise stay open until its keep-alive ends
  const idle = setInterval(() => server.closeIdleConnections(), IDLE_CHECK_MS);
  const cutOff = setTimeout(() => server.closeAllConnections(), LONGEST_FINISH_MS);
  await closed;
  clearInterval(idle);
  clearTimeout(cutOff);
}

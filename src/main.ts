/**
 * Composition root: config → store, intake, forwarder, app → listen. Nothing else builds edges.
 */
import { randomUUID } from 'node:crypto';
import { once } from 'node:events';
import type { Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { dirname } from 'node:path';
import { loadArtefacts } from './artefacts.ts';
import { ConfigError, type Config } from './config.ts';
import { DAY_MS, toInstant } from './core/fhir-time.ts';
import type { GrowthTables } from './core/growth/tables.ts';
import { MOVABLE_RULES, RULES } from './core/rules/index.ts';
import { ServiceError } from './errors.ts';
import { DemographicsReader } from './forward/demographics.ts';
import type { EhrClient } from './forward/ehr-client.ts';
import { ForwardWorker } from './forward/worker.ts';
import { GrowthTablesError, loadGrowthTables } from './growth-tables.ts';
import { GatewaysHolder } from './gateways.ts';
import { createApp } from './http/app.ts';
import { createAuth, KeyFileError } from './http/auth/create-auth.ts';
import { ANYBODY_MAY, type Auth } from './http/auth/auth.ts';
import { DEFAULT_LIMITS } from './http/limits.ts';
import { watchProcess } from './http/process-pressure.ts';
import { attachApp, createHttpServer } from './http/server.ts';
import { createIntake, type Intake } from './ingest.ts';
import { AuditPatrol } from './audit-patrol.ts';
import { AuditTrail, type UntimedFacts } from './audit-trail.ts';
import { addressOf, FHIR_PATH, knownBasesOf } from './addresses.ts';
import { createLog, type Log } from './log.ts';
import { createMetrics, type Metrics } from './metrics.ts';
import { PolicyHolder, type Reload } from './policy-in-force.ts';
import type { Clock, Store } from './ports.ts';
import { openEhr, type EhrConnection } from './open-ehr.ts';
import { kindOfStore, openStore } from './open-store.ts';
import { settleRestored } from './restored.ts';
import { loadRuleExamples } from './rule-examples.ts';
import { tracedStore } from './traced-store.ts';
import { NO_TRACER, type Tracer } from './tracer.ts';
import { startTracing } from './tracing.ts';
import { softwareVersion } from './version.ts';

export interface Running {
  /** Where the service listens, without a slash at its end; FHIR is below `/fhir`. */
  readonly url: string;
  /** Reads the policy file and the gateways file again and logs what came of it; see `PolicyHolder`. Never throws. */
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
/** Spans that a collector does not take by then are given up. */
const LONGEST_FLUSH_MS = 1_000;
const IDLE_CHECK_MS = 50;

/**
 * Starts the service and resolves once it answers.
 *
 * @throws ConfigError (policy file, gateways file, key files, growth tables), StoreNotOpened, or the system's error when it cannot listen
 */
export async function start(config: Config, options: StartOptions = {}): Promise<Running> {
  const clock = options.clock ?? { nowMs: () => Date.now() };
  const log = options.log ?? createLog(config.logLevel);
  const policy = new PolicyHolder(config.policyFile, MOVABLE_RULES);
  const gateways = new GatewaysHolder(config.gatewaysFile);
  const growth = growthTablesOf(config);
  const { otlpEndpoint: endpoint } = config;
  const tracer = endpoint === undefined ? NO_TRACER : await startTracing({ endpoint, version: softwareVersion() });
  const ehr = await openEhr(config, { clock, log: log.forwarding, tracer });
  const store = await openStore(config.database, { clock });
  try {
    const restored = await settleRestored(store, clock.nowMs());
    if (restored) log.restored(restored);
    return await startOn(store, { config, clock, log, policy, gateways, tracer, ...(growth && { growth }), ...(ehr && { ehr }) });
  } catch (error) {
    await ehr?.close();
    await store.close();
    await tracer.stop(LONGEST_FLUSH_MS);
    throw error;
  }
}

interface Parts {
  readonly config: Config;
  readonly clock: Clock;
  readonly log: Log;
  readonly policy: PolicyHolder;
  readonly gateways: GatewaysHolder;
  readonly tracer: Tracer;
  readonly growth?: GrowthTables;
  readonly ehr?: EhrConnection;
}

function growthTablesOf({ growthTables }: Config): GrowthTables | undefined {
  try {
    return growthTables === undefined ? undefined : loadGrowthTables(growthTables);
  } catch (error) {
    if (!(error instanceof GrowthTablesError)) throw error;
    throw new ConfigError(error.problems.map((problem) => `STEELYARD_GROWTH_TABLES: ${problem}`));
  }
}

async function authOf(metrics: Metrics, { config: { auth }, clock, log, gateways }: Parts): Promise<Auth> {
  if (auth.kind === 'none') return ANYBODY_MAY;
  try {
    return await createAuth(auth, {
      clock,
      gateways: () => gateways.current,
      onKeys: (event) => log.keys(event),
      onRefused: (reason) => metrics.refusedToken(reason),
    });
  } catch (error) {
    if (!(error instanceof KeyFileError)) throw error;
    throw new ConfigError([`STEELYARD_JWKS ${error.message}.`]);
  }
}

async function startOn(store: Store, parts: Parts): Promise<Running> {
  const { config, clock, log, policy, gateways, tracer, growth, ehr } = parts;
  const artefacts = loadArtefacts();
  const version = softwareVersion();
  const metrics = createMetrics(
    store,
    clock,
    kindOfStore(config.database) === 'postgresql' ? {} : { storeFolder: dirname(config.database) },
  );
  const audit = new AuditTrail({ store, clock, log });
  const patrol = new AuditPatrol(store.audit, log);
  const showPolicy = (): void => metrics.policy({ version: policy.current.version, lastReloadFailed: policy.lastReloadFailed });
  showPolicy();
  expectGateways(metrics, gateways);
  tellFigures(metrics, { audit, patrol, clock, ...(ehr && { ehr }) });
  const auth = await authOf(metrics, parts);
  const worker = ehr && createWorker(ehr.client, store, metrics, parts);
  const server = createHttpServer();
  server.listen(config.port, config.host);
  await once(server, 'listening');

  // no request is read before this tick ends, so nobody meets a server without its app
  const url = addressOf({ host: config.host, port: (server.address() as AddressInfo).port });
  const baseUrl = config.baseUrl ?? `${url}${FHIR_PATH}`;
  const pressure = watchProcess();
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
    onPerson: (key: string) => demographics?.noticed(key),
  };
  const demographics = ehr && config.readDemographics ? createDemographics(ehr.client, store, createIntake(intakeParts), clock) : undefined;
  const app = createApp({
    auth,
    intake: (call) => createIntake({ ...intakeParts, store: tracedStore(store, tracer, call.traceParent), call }),
    store,
    audit,
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
    tracer,
    limits: {
      ...DEFAULT_LIMITS,
      requestsPerMinute: config.rateLimit,
      limitOf: (client) => gateways.current?.get(client)?.requestsPerMinute,
    },
    pressure,
  });
  attachApp(server, app);
  worker?.start();
  log.listening({
    url,
    store: kindOfStore(config.database),
    policy: policy.current.version,
    ...(growth && { growthTables: growth.version }),
  });
  await audit.record(serviceEvent('start', [['policy', policy.current.version]]));
  audit.start();
  patrol.start();

  let stopped: Promise<void> | undefined;
  const stop = async (): Promise<void> => {
    isStopping = true;
    await Promise.all([closeServer(server), worker?.stop(LONGEST_FINISH_MS), demographics?.stop()]);
    await ehr?.close();
    await audit.recordIfPossible(serviceEvent('stop'));
    await patrol.stop();
    await audit.stop();
    await store.close();
    await tracer.stop(LONGEST_FLUSH_MS);
    pressure.stop();
    log.stopped();
  };
  const reloadPolicy = (): void => {
    const reload = policy.reload();
    log.reloaded(reload);
    showPolicy();
    void auditReload(audit, reload).catch((error: unknown) => log.fault(error, { during: 'audit' }));
    log.gatewaysReloaded(gateways.reload());
    expectGateways(metrics, gateways);
  };
  return { url, reloadPolicy, stop: () => (stopped ??= stop()) };
}

function createWorker(ehr: EhrClient, store: Store, metrics: Metrics, { config, clock, log, tracer }: Parts): ForwardWorker {
  metrics.breaker('closed');
  return new ForwardWorker({
    outbox: store.outbox,
    read: store.read,
    ehr,
    clock,
    log: log.forwarding,
    random: Math.random,
    tracer,
    isShared: kindOfStore(config.database) === 'postgresql',
    readBackPercent: config.readBackPercent,
    events: {
      sent: ({ queuedAt }) => {
        metrics.forwarding('sent');
        metrics.delivered(queuedAt);
      },
      late: () => metrics.late(),
      breaker: (state) => metrics.breaker(state),
      readBack: (result) => metrics.readBack(result),
      postponed: () => metrics.forwarding('postponed'),
      parked: () => metrics.forwarding('parked'),
    },
  });
}

function expectGateways(metrics: Metrics, { current }: GatewaysHolder): void {
  const intervals = [...(current ?? [])].flatMap(([client, { silentAfterMinutes }]): [string, number][] =>
    silentAfterMinutes === undefined ? [] : [[client, silentAfterMinutes * 60]],
  );
  metrics.expectGateways(new Map(intervals));
}

/** What is asked of the parts whenever the metrics are. */
function tellFigures(
  metrics: Metrics,
  { audit, patrol, ehr, clock }: Pick<Parts, 'clock' | 'ehr'> & { readonly audit: AuditTrail; readonly patrol: AuditPatrol },
): void {
  metrics.figure('steelyard_audit_unwritten', () => audit.waiting);
  metrics.figure('steelyard_audit_chain_broken', () => Number(patrol.isBroken));
  metrics.figure('steelyard_ehr_clock_difference_seconds', () => ehr?.clockAheadSeconds());
  const certificateEnds = (): number | undefined => {
    const days = ehr?.certificateDaysLeft();
    return days === undefined ? undefined : (clock.nowMs() + days * DAY_MS) / 1000;
  };
  metrics.figure('steelyard_expiry_timestamp_seconds', certificateEnds, { what: 'ehr-certificate' });
}

function createDemographics(ehr: EhrClient, store: Store, intake: Intake, clock: Clock): DemographicsReader {
  return new DemographicsReader({
    ehr,
    read: store.read,
    register: async (patient, id, replaces) => {
      try {
        return (await intake.putRegistry('Patient', id, patient, replaces ?? 'none')).status < 400;
      } catch (error) {
        if (error instanceof ServiceError) return false;
        throw error;
      }
    },
    clock,
    random: Math.random,
  });
}

/** What the service itself does, with the version of this software. */
function serviceEvent(event: 'start' | 'stop', details: UntimedFacts['details'] = []): UntimedFacts {
  return { event, outcome: 'success', details: [['version', softwareVersion()], ...details] };
}

/** A file that is broken is an event too: somebody wanted another policy, and it is not in force. */
async function auditReload(audit: AuditTrail, reload: Reload): Promise<void> {
  if (reload.kind === 'no-file') return;
  const details = [['policy', reload.now] as const, ...(reload.kind === 'loaded' ? [['policy before', reload.before] as const] : [])];
  const isLoaded = reload.kind === 'loaded';
  await audit.recordIfPossible({
    event: isLoaded ? 'configuration' : 'configuration-kept',
    outcome: isLoaded ? 'success' : 'minor',
    details,
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

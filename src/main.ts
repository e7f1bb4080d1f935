/**
 * Composition root: config → store, intake, forwarder, app → listen. Nothing else builds edges, but
 * for the parts in `composition/` that it puts together.
 */
import { randomUUID } from 'node:crypto';
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import { dirname } from 'node:path';
import { loadArtefacts } from './artefacts.ts';
import type { Call } from './caller.ts';
import type { Config } from './config.ts';
import { toInstant } from './core/fhir-time.ts';
import { MOVABLE_RULES, RULES } from './core/rules/index.ts';
import { GatewaysHolder } from './gateways.ts';
import { createDemographics, createNotifier, createWorker } from './composition/forwarding.ts';
import { mllpTlsOf, openMllp } from './composition/mllp.ts';
import { authOf, growthTablesOf, type Parts } from './composition/parts.ts';
import { refuseUnusableSecret, startSigningIn } from './composition/signing-in.ts';
import { auditReload, expectGateways, serviceEvent, tellFigures } from './composition/watching.ts';
import { createApp } from './http/app.ts';
import { DEFAULT_LIMITS } from './http/limits.ts';
import { watchProcess } from './http/process-pressure.ts';
import { attachApp, closeServer, createHttpServer } from './http/server.ts';
import { createIntake, type Intake } from './ingest.ts';
import { AuditPatrol } from './audit-patrol.ts';
import { AuditTrail } from './audit-trail.ts';
import { addressOf, FHIR_PATH, knownBasesOf } from './addresses.ts';
import { createLog, type Log } from './log.ts';
import { createMetrics } from './metrics.ts';
import { PolicyHolder } from './policy-in-force.ts';
import type { Clock, Store } from './ports.ts';
import { openEhr } from './open-ehr.ts';
import { kindOfStore, openStore } from './open-store.ts';
import { settleRestored } from './restored.ts';
import { loadRuleExamples } from './rule-examples.ts';
import { tracedStore } from './traced-store.ts';
import { NO_TRACER } from './tracer.ts';
import { startTracing } from './tracing.ts';
import { softwareVersion } from './version.ts';

export interface Running {
  /** Where the service listens, without a slash at its end; FHIR is below `/fhir`. */
  readonly url: string;
  /** Where HL7 v2 is taken in, when it is. */
  readonly mllp?: string;
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

/**
 * Starts the service and resolves once it answers.
 *
 * @throws ConfigError (policy file, gateways file, key files, secret file, growth tables), StoreNotOpened, CannotListen (MLLP), or the system's error when it cannot listen
 */
export async function start(config: Config, options: StartOptions = {}): Promise<Running> {
  const clock = options.clock ?? { nowMs: () => Date.now() };
  const log = options.log ?? createLog(config.logLevel);
  const policy = new PolicyHolder(config.policyFile, MOVABLE_RULES);
  const gateways = new GatewaysHolder(config.gatewaysFile);
  const growth = growthTablesOf(config);
  refuseUnusableSecret(config);
  const mllpTls = mllpTlsOf({ config, log, gateways });
  const { otlpEndpoint: endpoint } = config;
  const tracer = endpoint === undefined ? NO_TRACER : await startTracing({ endpoint, version: softwareVersion() });
  const ehr = await openEhr(config, { clock, log: log.forwarding, tracer });
  const store = await openStore(config.database, { clock });
  try {
    const restored = await settleRestored(store, clock.nowMs());
    if (restored) log.restored(restored);
    return await startOn(store, {
      config,
      clock,
      log,
      policy,
      gateways,
      tracer,
      ...(growth && { growth }),
      ...(ehr && { ehr }),
      ...(mllpTls && { mllpTls }),
    });
  } catch (error) {
    await ehr?.close();
    await store.close();
    await tracer.stop(LONGEST_FLUSH_MS);
    throw error;
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
  const notifying = createNotifier(store, metrics, baseUrl, parts);
  const pressure = watchProcess();
  const signingIn = startSigningIn(store, url, parts);
  let isStopping = false;
  const intakeParts = {
    store,
    clock,
    policy: () => policy.current,
    ...(growth && { growth }),
    newId: randomUUID,
    knownBases: knownBasesOf(config, url),
    forwards: worker !== undefined,
    onStored: () => {
      worker?.wake();
      notifying?.notifier.wake();
    },
    onPerson: (key: string) => demographics?.noticed(key),
  };
  const demographics =
    ehr && config.readDemographics ? createDemographics(ehr.client, store, metrics, createIntake(intakeParts), parts) : undefined;
  const intake = (call: Call): Intake => createIntake({ ...intakeParts, store: tracedStore(store, tracer, call.traceParent), call });
  const app = createApp({
    auth,
    ...(config.auth.kind === 'none' && { knownAs: [new URL(baseUrl).hostname] }),
    ...(signingIn && { signIn: signingIn.signIn }),
    intake,
    store,
    clock,
    subscriptions: { targets: config.subscriptionTargets, added: () => notifying?.notifier.wake() },
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
    forwards: worker !== undefined,
    isStopping: () => isStopping,
    tracer,
    ...(growth && { growth }),
    limits: {
      ...DEFAULT_LIMITS,
      requestsPerMinute: config.rateLimit,
      limitOf: (client) => gateways.current?.get(client)?.requestsPerMinute,
    },
    pressure,
  });
  attachApp(server, app);
  const mllp = await openMllp(parts, { store, audit, metrics, pressure, intake }).catch(async (error: unknown) => {
    pressure.stop();
    await closeServer(server, 0);
    throw error;
  });
  worker?.start();
  notifying?.notifier.start();
  log.listening({
    url,
    ...(mllp && { mllp: mllp.address }),
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
    await Promise.all([
      closeServer(server, LONGEST_FINISH_MS),
      mllp?.stop(LONGEST_FINISH_MS),
      worker?.stop(LONGEST_FINISH_MS),
      notifying?.stop(LONGEST_FINISH_MS),
      demographics?.stop(),
    ]);
    await ehr?.close();
    await audit.recordIfPossible(serviceEvent('stop'));
    await patrol.stop();
    signingIn?.stop();
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
    const gatewaysReload = gateways.reload();
    log.gatewaysReloaded(gatewaysReload);
    void auditReload(audit, reload, gatewaysReload).catch((error: unknown) => log.fault(error, { during: 'audit' }));
    expectGateways(metrics, gateways);
  };
  return { url, ...(mllp && { mllp: mllp.address }), reloadPolicy, stop: () => (stopped ??= stop()) };
}

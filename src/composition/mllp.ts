/** HL7 v2 over MLLP: who its senders are, what they may do, and when they have to wait. */
import type { X509Certificate } from 'node:crypto';
import type { AuditTrail } from '../audit-trail.ts';
import { ANYBODY, type Call } from '../caller.ts';
import { ConfigError, type MllpSettings } from '../config.ts';
import { DAY_MS } from '../core/fhir-time.ts';
import type { Gateway, Gateways } from '../gateways.ts';
import { DEFAULT_LIMITS } from '../http/limits.ts';
import type { ProcessPressure } from '../http/process-pressure.ts';
import type { Intake } from '../ingest.ts';
import type { Sender } from '../intake/message-answer.ts';
import { listenMllp, type MllpServer } from '../intake/mllp-server.ts';
import type { Metrics } from '../metrics.ts';
import { CannotListen } from '../cannot-listen.ts';
import type { Store } from '../ports.ts';
import { TlsFiles, TlsFilesError, type TlsPaths } from '../tls-files.ts';
import type { Parts } from './parts.ts';

export interface MllpWork {
  readonly store: Store;
  readonly audit: AuditTrail;
  readonly metrics: Metrics;
  readonly pressure: Pick<ProcessPressure, 'loopDelayMs' | 'heapShare'>;
  readonly intake: (call: Call) => Pick<Intake, 'several'>;
}

const SETTING_OF: Readonly<Record<keyof TlsPaths, string>> = {
  caFile: 'STEELYARD_MLLP_CA_FILE',
  certificateFile: 'STEELYARD_MLLP_CERT_FILE',
  keyFile: 'STEELYARD_MLLP_KEY_FILE',
};

/**
 * Certificates for MLLP, read before anything listens; undefined when it is plain or off.
 *
 * @throws ConfigError for a file that cannot be used, and when senders are to show certificates of which the gateways file names none
 */
export function mllpTlsOf({ config, log, gateways }: Pick<Parts, 'config' | 'log' | 'gateways'>): TlsFiles | undefined {
  const { mllp, auth } = config;
  if (mllp === undefined) return undefined;
  if (auth.kind === 'jwt' && ![...(gateways.current?.values() ?? [])].some(({ certificates = [] }) => certificates.length > 0))
    throw new ConfigError([
      'STEELYARD_GATEWAYS: no gateway has "certificates", so nobody could send over MLLP; give them, or leave STEELYARD_MLLP_PORT unset.',
    ]);
  try {
    return mllp.tls && new TlsFiles(mllp.tls, log.forwarding, 'MLLP');
  } catch (error) {
    if (!(error instanceof TlsFilesError)) throw error;
    throw new ConfigError([`${SETTING_OF[error.file]}: the file ${error.message}.`]);
  }
}

export interface RunningMllp {
  /** `mllp://127.0.0.1:2575`, or `mllps` over TLS: no registered scheme, for the log. */
  readonly address: string;
  /** See `MllpServer.stop`. */
  stop(boundMs: number): Promise<void>;
}

/** Undefined when it is off. @throws CannotListen */
export async function openMllp(parts: Parts, work: MllpWork): Promise<RunningMllp | undefined> {
  const { mllp } = parts.config;
  if (mllp === undefined) return undefined;
  const server = await listen(mllp, parts, work);
  return { address: addressOf(mllp, server.port), stop: (boundMs) => server.stop(boundMs) };
}

async function listen(settings: MllpSettings, parts: Parts, work: MllpWork): Promise<MllpServer> {
  const { clock, log, gateways, config, mllpTls: tls } = parts;
  const { store, audit, metrics, pressure, intake } = work;
  const isOpen = config.auth.kind === 'none';
  try {
    const server = await listenMllp({
      host: settings.host,
      port: settings.port,
      ...(tls && { tls }),
      senderOf: isOpen ? () => ({ caller: ANYBODY }) : (certificate) => senderOf(certificate, gateways.current),
      intake,
      clock,
      audit,
      metrics,
      log,
      systems: () => gateways.systems,
      shedReason: () => shedReason(store, pressure),
      noteFault: (reason) => metrics.mllpFault(reason),
    });
    metrics.figure('steelyard_mllp_connections', () => server.connections);
    if (tls) metrics.figure('steelyard_expiry_timestamp_seconds', () => expiryOf(tls, clock.nowMs()), { what: 'mllp-certificate' });
    return server;
  } catch (error) {
    const { syscall, code } = error as NodeJS.ErrnoException;
    if (syscall !== 'listen' && syscall !== 'getaddrinfo') throw error;
    throw new CannotListen('STEELYARD_MLLP_HOST and STEELYARD_MLLP_PORT', code);
  }
}

function expiryOf(tls: TlsFiles, nowMs: number): number | undefined {
  const days = tls.daysLeft(nowMs);
  return days === undefined ? undefined : (nowMs + days * DAY_MS) / 1000;
}

function addressOf({ host, tls }: MllpSettings, port: number): string {
  return `${tls ? 'mllps' : 'mllp'}://${host.includes(':') ? `[${host}]` : host}:${port}`;
}

/**
 * The gateway whose certificate it is. It may send and put right readings, of its own scales only,
 * as with a token of these scopes.
 */
export function senderOf(certificate: X509Certificate | undefined, gateways: Gateways | undefined): Sender | undefined {
  if (certificate === undefined) return undefined;
  const found = [...(gateways ?? [])].find(([, gateway]) => isCertificateOf(certificate, gateway));
  if (found === undefined) return undefined;
  const [client, { devices, zone }] = found;
  const grants = { interactions: new Set(['Observation.c', 'Observation.u']), roles: new Set<never>() };
  return { caller: { client, devices: new Set(devices), grants }, ...(zone !== undefined && { zone }) };
}

/** RFC 6125 as the platform does it: the names of the extension, or the common name of one that has none. */
function isCertificateOf(certificate: X509Certificate, { certificates = [] }: Gateway): boolean {
  return certificates.some((name) => certificate.checkHost(name, { subject: 'default', wildcards: false }) !== undefined);
}

/** The limits that writing over HTTP has. */
function shedReason(store: Pick<Store, 'waitingUnits'>, pressure: MllpWork['pressure']): string | undefined {
  const { mostWaitingWrites, longestLoopDelayMs, fullestHeap } = DEFAULT_LIMITS;
  if (store.waitingUnits() >= mostWaitingWrites) return 'store';
  if (pressure.loopDelayMs() > longestLoopDelayMs) return 'event-loop';
  return pressure.heapShare() > fullestHeap ? 'heap' : undefined;
}

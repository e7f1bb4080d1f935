/**
 * Connections to the EHR and its token endpoint: how many, how long they may take, and whom they trust.
 *
 * TLS 1.2 at least (SMART App Launch 2.2, "Client Authentication: Asymmetric", TLS), with the
 * other side's certificate always checked, whatever the environment says.
 */
import { Agent, buildConnector } from 'undici';
import type { TlsFiles } from '../tls-files.ts';

export interface ConnectionOptions {
  readonly timeoutMs: number;
  readonly connections: number;
  /** Our certificate, and whom we trust in place of the system's authorities. */
  readonly tls?: TlsFiles;
}

export function createAgent({ timeoutMs, connections, tls }: ConnectionOptions): Agent {
  const strict = { timeout: timeoutMs, minVersion: 'TLSv1.2', rejectUnauthorized: true } as const;
  return new Agent({
    connections,
    pipelining: 1,
    connect: tls === undefined ? strict : connectWith(tls, strict),
    headersTimeout: timeoutMs,
    bodyTimeout: timeoutMs,
  });
}

/** Each new connection is made with the files as they are then; sessions of earlier files are not taken up again. */
function connectWith(tls: TlsFiles, strict: buildConnector.BuildOptions): buildConnector.connector {
  let made: { readonly material: object; readonly connect: buildConnector.connector } | undefined;
  return (options, callback) => {
    const material = tls.current();
    if (made?.material !== material) made = { material, connect: buildConnector({ ...strict, ...material }) };
    made.connect(options, callback);
  };
}

/** The built-in fetch takes an Agent of the package; only their type declarations differ. */
export function dispatcherOf(agent: Agent): NonNullable<RequestInit['dispatcher']> {
  return agent as unknown as NonNullable<RequestInit['dispatcher']>;
}

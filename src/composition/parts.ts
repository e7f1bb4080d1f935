/** What the service is put together from before it has a store, and the files that it is told of. */
import { ConfigError, type Config } from '../config.ts';
import type { GrowthTables } from '../core/growth/tables.ts';
import type { GatewaysHolder } from '../gateways.ts';
import { GrowthTablesError, loadGrowthTables } from '../growth-tables.ts';
import { ANYBODY_MAY, type Auth } from '../http/auth/auth.ts';
import { createAuth, KeyFileError } from '../http/auth/create-auth.ts';
import type { Log } from '../log.ts';
import type { Metrics } from '../metrics.ts';
import type { EhrConnection } from '../open-ehr.ts';
import type { PolicyHolder } from '../policy-in-force.ts';
import type { Clock } from '../ports.ts';
import type { TlsFiles } from '../tls-files.ts';
import type { Tracer } from '../tracer.ts';

export interface Parts {
  readonly config: Config;
  readonly clock: Clock;
  readonly log: Log;
  readonly policy: PolicyHolder;
  readonly gateways: GatewaysHolder;
  readonly tracer: Tracer;
  readonly growth?: GrowthTables;
  readonly ehr?: EhrConnection;
  /** Certificates for MLLP, when it is taken in over TLS. */
  readonly mllpTls?: TlsFiles;
}

/** @throws ConfigError */
export function growthTablesOf({ growthTables }: Config): GrowthTables | undefined {
  try {
    return growthTables === undefined ? undefined : loadGrowthTables(growthTables);
  } catch (error) {
    if (!(error instanceof GrowthTablesError)) throw error;
    throw new ConfigError(error.problems.map((problem) => `STEELYARD_GROWTH_TABLES: ${problem}`));
  }
}

/** @throws ConfigError when the key file cannot be used */
export async function authOf(metrics: Metrics, { config: { auth }, clock, log, gateways }: Parts): Promise<Auth> {
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

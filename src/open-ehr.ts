/**
 * Makes the way to the EHR that the settings describe: client, token, certificates.
 */
import { ConfigError, type Config } from './config.ts';
import { EhrClient } from './forward/ehr-client.ts';
import type { ConnectionLog } from './forward/connection-log.ts';
import { KeyFile, KeyFileError } from './forward/key-file.ts';
import { TlsFiles, TlsFilesError, type TlsPaths } from './tls-files.ts';
import { TokenClient } from './forward/token-client.ts';
import type { Clock } from './ports.ts';
import { NO_TRACER, type Tracer } from './tracer.ts';

export interface EhrConnection {
  readonly client: EhrClient;
  /** Days until our certificate for the EHR expires; undefined without one. */
  certificateDaysLeft(): number | undefined;
  /** By how many seconds our clock is ahead of the token endpoint's; undefined while that is not known. */
  clockAheadSeconds(): number | undefined;
  close(): Promise<void>;
}

const SETTING_OF: Readonly<Record<keyof TlsPaths, string>> = {
  caFile: 'STEELYARD_EHR_CA_FILE',
  certificateFile: 'STEELYARD_EHR_CERT_FILE',
  keyFile: 'STEELYARD_EHR_CERT_KEY_FILE',
};

/**
 * Undefined when there is no EHR to forward to. Makes no connection yet.
 *
 * @throws ConfigError for a key or certificate file that cannot be used
 */
export async function openEhr(
  config: Config,
  { clock, log, tracer = NO_TRACER }: { readonly clock: Clock; readonly log: ConnectionLog; readonly tracer?: Tracer },
): Promise<EhrConnection | undefined> {
  if (config.ehrUrl === undefined) return undefined;
  const tls = config.ehrTls && readTls(config.ehrTls, log);
  const tokens =
    config.ehrLogin &&
    new TokenClient({ ...config.ehrLogin, keys: await openKeys(config.ehrLogin.keyFile, log), clock, log, ...(tls && { tls }) });
  const client = new EhrClient({ baseUrl: config.ehrUrl, tracer, ...(tokens && { authorization: tokens }), ...(tls && { tls }) });
  return {
    client,
    certificateDaysLeft: () => tls?.daysLeft(clock.nowMs()),
    clockAheadSeconds: () => (tokens?.clockAheadMs === undefined ? undefined : tokens.clockAheadMs / 1_000),
    close: async () => {
      await Promise.all([client.close(), tokens?.close()]);
    },
  };
}

async function openKeys(path: string, log: ConnectionLog): Promise<KeyFile> {
  try {
    return await KeyFile.open(path, log);
  } catch (error) {
    if (!(error instanceof KeyFileError)) throw error;
    throw new ConfigError([`STEELYARD_EHR_KEY_FILE: the file ${error.message}.`]);
  }
}

function readTls(paths: TlsPaths, log: ConnectionLog): TlsFiles {
  try {
    return new TlsFiles(paths, log);
  } catch (error) {
    if (!(error instanceof TlsFilesError)) throw error;
    throw new ConfigError([`${SETTING_OF[error.file]}: the file ${error.message}.`]);
  }
}

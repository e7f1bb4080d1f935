/** Under which addresses the service is spoken of: where it listens, and which FHIR bases mean it or its EHR. */
import type { Config } from './config.ts';

/** Everything of FHIR is served below it. */
export const FHIR_PATH = '/fhir';

/** An http address without a slash at its end. */
export function addressOf({ host, port }: Pick<Config, 'host' | 'port'>): string {
  return `http://${host.includes(':') ? `[${host}]` : host}:${port}`;
}

/**
 * The bases whose absolute references count as relative ones: our own and the EHR's.
 *
 * @param url where the service listens; what the settings say when absent
 */
export function knownBasesOf(config: Pick<Config, 'host' | 'port' | 'baseUrl' | 'ehrUrl'>, url: string = addressOf(config)): string[] {
  const listening = `${url}${FHIR_PATH}`;
  return [...new Set([config.baseUrl ?? listening, listening, ...(config.ehrUrl === undefined ? [] : [config.ehrUrl])])];
}

/**
 * Builds the door from the settings: key set, verifier, and what the gateways file says of a client.
 */
import type { Caller } from '../../caller.ts';
import type { Gateways } from '../../gateways.ts';
import { hasRole } from '../../permission.ts';
import type { Clock } from '../../ports.ts';
import type { Auth } from './auth.ts';
import { DEFAULT_PERSON_CLAIM } from './claims.ts';
import { KeySet, type KeySetEvent } from './key-set.ts';
import { fileKeys, UnusableKeys, urlKeys } from './key-sources.ts';
import { RefusedToken, type Reason } from './refused-token.ts';
import { TokenVerifier } from './token-verifier.ts';

export interface TokenSettings {
  /** URL or path. */
  readonly jwks: string;
  readonly issuer: string;
  readonly audience: string;
  /** See `TokenRules`. */
  readonly personClaim?: string;
}

interface Surroundings {
  readonly clock: Clock;
  /** The gateways file in force; asked for at each call. */
  readonly gateways: () => Gateways | undefined;
  readonly onKeys?: (event: KeySetEvent) => void;
  readonly onRefused?: (reason: Reason) => void;
}

/** The key file cannot be used. The message says why, and goes on from the name of the setting. */
export class KeyFileError extends Error {}

/**
 * @throws KeyFileError when keys are to come from a file that is not there or holds none. A key
 *   server that is down is no reason not to start: tokens are answered 503 until it is back.
 */
export async function createAuth(
  { jwks, issuer, audience, personClaim = DEFAULT_PERSON_CLAIM }: TokenSettings,
  surroundings: Surroundings,
): Promise<Auth> {
  const { clock, gateways, onKeys, onRefused = () => undefined } = surroundings;
  const isUrl = /^https?:\/\//i.test(jwks);
  // a file that cannot be used ends the start with a sentence: a line in the log would say it twice
  let isStarting = !isUrl;
  const keys = new KeySet(isUrl ? urlKeys(jwks) : fileKeys(jwks), clock, (event) => {
    if (!isStarting || event.kind === 'loaded') onKeys?.(event);
  });
  if (isUrl) void keys.load().catch(() => undefined);
  else
    await keys.load().catch((cause: unknown) => {
      throw new KeyFileError(problemOfFile(jwks, cause), { cause });
    });
  isStarting = false;
  const verifier = new TokenVerifier(keys, clock, { issuer, audience, personClaim });
  const holderOf = async (token: string): Promise<Caller> => {
    try {
      return withDevices(await verifier.verify(token), gateways());
    } catch (error) {
      if (error instanceof RefusedToken) onRefused(error.reason);
      throw error;
    }
  };
  return { tokens: { holderOf, issuer, ...(isUrl && { keysUrl: jwks }) } };
}

function problemOfFile(path: string, cause: unknown): string {
  const reason =
    cause instanceof UnusableKeys ? cause.message : `cannot be read (${(cause as NodeJS.ErrnoException).code ?? 'unknown reason'})`;
  return `names a file that ${reason}: ${path}; put the public keys of the issuer there, as a JWK set that this service may read`;
}

/**
 * A client may send for the scales that the file gives it, and for none when the file does not know
 * it. People who review are not held to scales.
 */
export function withDevices(caller: Caller & { readonly client: string }, gateways: Gateways | undefined): Caller {
  const isReviewer = caller.person !== undefined && hasRole(caller, 'review');
  if (gateways === undefined || isReviewer) return caller;
  return { ...caller, devices: new Set(gateways.get(caller.client)?.devices ?? []) };
}

/** Puts together how people sign in to the pages. */
import { readFileSync } from 'node:fs';
import { ConfigError, type Config } from '../config.ts';
import { OpenIdProvider } from '../http/sign-in/provider.ts';
import { Sessions } from '../http/sign-in/sessions.ts';
import type { SignIn } from '../http/sign-in/sign-in.ts';
import type { Store } from '../ports.ts';
import type { Parts } from './parts.ts';

/** To be called before the service has a port. @throws ConfigError when the file of the client's secret cannot be used */
export function refuseUnusableSecret({ signIn }: Config): void {
  const path = signIn?.clientSecretFile;
  if (path === undefined) return;
  let secret: string;
  try {
    secret = readFileSync(path, 'utf8').trim();
  } catch {
    throw new ConfigError(['STEELYARD_SIGNIN_CLIENT_SECRET_FILE names a file that cannot be read.']);
  }
  if (secret === '') throw new ConfigError(['STEELYARD_SIGNIN_CLIENT_SECRET_FILE names a file that is empty.']);
}

export interface SigningIn {
  readonly signIn: SignIn;
  stop(): void;
}

/**
 * Undefined when nobody signs in.
 *
 * @param url where the service listens
 */
export function startSigningIn(
  store: Store,
  url: string,
  { config, clock, log }: Pick<Parts, 'config' | 'clock' | 'log'>,
): SigningIn | undefined {
  const { signIn: settings, baseUrl } = config;
  if (settings === undefined) return undefined;
  const { origin } = new URL(baseUrl ?? url);
  const sessions = new Sessions(store, clock);
  sessions.start();
  const provider = new OpenIdProvider({ settings, origin, clock, report: (event) => log.identityProvider(event) });
  return { signIn: { origin, provider, sessions, rolesClaim: settings.rolesClaim }, stop: () => sessions.stop() };
}

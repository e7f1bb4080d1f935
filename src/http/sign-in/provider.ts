/**
 * The OpenID provider where people sign in: authorization code with PKCE, by `openid-client`, which
 * checks `state`, `nonce`, the `iss` of the answer (RFC 9207), and signature and claims of the identity token.
 *
 * What it serves is read when somebody first signs in, so that a provider that is down keeps no
 * service from starting; what was read is used on while it cannot be read again.
 */
import { readFileSync } from 'node:fs';
import { decodeProtectedHeader } from 'jose';
import * as client from 'openid-client';
import type { Clock } from '../../ports.ts';
import { isSafe } from '../../settings.ts';
import type { SignInSettings } from '../../settings-sign-in.ts';
import { ALGORITHMS } from '../auth/token-verifier.ts';
import { claimAt, identityOf } from './identity.ts';
import { askProvider } from './provider-fetch.ts';
import { IDLE_MS } from './session-limits.ts';
import { SignInRefused, SignInUnavailable, type Identity, type IdentityProvider, type SignInSecrets } from './sign-in.ts';

/** Of keys the library takes care itself. */
const FRESH_MS = 60 * 60_000;
const PAUSE_MS = 5_000;
const LONGEST_ANSWER_SECONDS = 5;
const CLOCK_TOLERANCE_SECONDS = 30;

/** Whoever unlocks a tablet after its idle time shows again who they are: the provider's own session must not do it for them. */
const MAX_AGE_SECONDS = IDLE_MS / 1000;

/** Endpoints that codes, secrets, tokens or people are sent to. */
const NEEDED = ['authorization_endpoint', 'token_endpoint', 'jwks_uri'] as const;
const ENDPOINTS = [...NEEDED, 'userinfo_endpoint', 'end_session_endpoint'] as const;

/** What came of reading the provider's metadata, when that is another thing than the last time. */
export type ProviderEvent = { readonly kind: 'loaded' } | { readonly kind: 'failed'; readonly error: unknown };

export interface ProviderParts {
  readonly settings: SignInSettings;
  readonly origin: string;
  readonly clock: Clock;
  readonly report?: (event: ProviderEvent) => void;
}

export const SIGNED_IN_PATH = '/review/signed-in';
export const SIGNED_OUT_PATH = '/review/signed-out';

export class OpenIdProvider implements IdentityProvider {
  readonly #parts: ProviderParts;
  #kept: { readonly config: client.Configuration; readonly readAtMs: number } | undefined;
  #failed: { readonly error: unknown; readonly atMs: number } | undefined;
  #pending: Promise<client.Configuration> | undefined;

  constructor(parts: ProviderParts) {
    this.#parts = parts;
  }

  async begin({ isAnew }: { readonly isAnew: boolean }): Promise<{ url: string; secrets: SignInSecrets }> {
    const config = await this.#configuration();
    const secrets = { state: client.randomState(), nonce: client.randomNonce(), verifier: client.randomPKCECodeVerifier() };
    const url = client.buildAuthorizationUrl(config, {
      redirect_uri: this.#redirectUri,
      scope: this.#parts.settings.scope,
      code_challenge: await client.calculatePKCECodeChallenge(secrets.verifier),
      code_challenge_method: 'S256',
      state: secrets.state,
      nonce: secrets.nonce,
      max_age: String(MAX_AGE_SECONDS),
      // where nobody can be signed out, or did not see it through, whoever comes next must not be taken for the one before
      ...((isAnew || config.serverMetadata().end_session_endpoint === undefined) && { prompt: 'login' }),
    });
    return { url: url.href, secrets };
  }

  async finish(query: string, { state, nonce, verifier }: SignInSecrets): Promise<Identity> {
    const config = await this.#configuration();
    const address = new URL(this.#redirectUri);
    address.search = query;
    try {
      const tokens = await client.authorizationCodeGrant(config, address, {
        pkceCodeVerifier: verifier,
        expectedState: state,
        expectedNonce: nonce,
        maxAge: MAX_AGE_SECONDS,
        idTokenExpected: true,
      });
      const claims = claimsOf(tokens);
      const needsMore = claimAt(claims, this.#parts.settings.rolesClaim) === undefined || claims['name'] === undefined;
      const canTellMore = config.serverMetadata().userinfo_endpoint !== undefined;
      const more = needsMore && canTellMore ? await client.fetchUserInfo(config, tokens.access_token, String(claims['sub'])) : undefined;
      return identityOf(claims, more, this.#parts.settings);
    } catch (error) {
      throw meaningOf(error);
    }
  }

  async signOutUrl(): Promise<string | undefined> {
    const config = await this.#configuration();
    if (config.serverMetadata().end_session_endpoint === undefined) return undefined;
    // no identity token is kept to be shown here: the provider may ask whether it is meant
    return client.buildEndSessionUrl(config, { post_logout_redirect_uri: `${this.#parts.origin}${SIGNED_OUT_PATH}` }).href;
  }

  get #redirectUri(): string {
    return `${this.#parts.origin}${SIGNED_IN_PATH}`;
  }

  /** Asked for once at a time, and not again within seconds of a failure. */
  async #configuration(): Promise<client.Configuration> {
    const nowMs = this.#parts.clock.nowMs();
    if (this.#kept && nowMs - this.#kept.readAtMs < FRESH_MS) return this.#kept.config;
    const failed = this.#failed;
    if (failed && Math.abs(nowMs - failed.atMs) < PAUSE_MS) return this.#keptOr(failed.error);
    this.#pending ??= this.#discover().finally(() => (this.#pending = undefined));
    try {
      return await this.#pending;
    } catch (error) {
      return this.#keptOr(error);
    }
  }

  #keptOr(error: unknown): client.Configuration {
    if (this.#kept) return this.#kept.config;
    throw new SignInUnavailable(error);
  }

  async #discover(): Promise<client.Configuration> {
    const { settings, clock, report } = this.#parts;
    const { issuer, clientId, clientSecretFile } = settings;
    try {
      const config = await client.discovery(
        new URL(issuer),
        clientId,
        { [client.clockTolerance]: CLOCK_TOLERANCE_SECONDS },
        clientSecretFile === undefined ? client.None() : secretOf(clientSecretFile),
        {
          timeout: LONGEST_ANSWER_SECONDS,
          [client.customFetch]: askProvider,
          // eslint-disable-next-line @typescript-eslint/no-deprecated -- the settings let http pass on loopback only, and so does `refuseUnusable`
          execute: [client.enableNonRepudiationChecks, ...(issuer.startsWith('http:') ? [client.allowInsecureRequests] : [])],
        },
      );
      refuseUnusable(config);
      if (this.#kept === undefined || this.#failed) report?.({ kind: 'loaded' });
      this.#kept = { config, readAtMs: clock.nowMs() };
      this.#failed = undefined;
      return config;
    } catch (error) {
      if (this.#failed === undefined) report?.({ kind: 'failed', error });
      this.#failed = { error, atMs: clock.nowMs() };
      throw error;
    }
  }
}

/** `allowInsecureRequests` lets http pass anywhere, and here it may on loopback only. */
function refuseUnusable(config: client.Configuration): void {
  const metadata = config.serverMetadata();
  const missing = NEEDED.filter((name) => metadata[name] === undefined);
  if (missing.length > 0) throw new Error(`the identity provider does not say its ${missing.join(', ')}`);
  const unsafe = ENDPOINTS.filter((name) => metadata[name] !== undefined && !isSafe(String(metadata[name])));
  if (unsafe.length > 0) throw new Error(`the identity provider has endpoints without https: ${unsafe.join(', ')}`);
}

/** The secret is read for each exchange, so that a new one needs no restart. In the form that the provider takes (RFC 8414: Basic unless it says otherwise). */
function secretOf(path: string): client.ClientAuth {
  return (server, metadata, body, headers) => {
    const secret = readFileSync(path, 'utf8').trim();
    const methods = server.token_endpoint_auth_methods_supported ?? ['client_secret_basic'];
    const authenticate = methods.includes('client_secret_basic') ? client.ClientSecretBasic(secret) : client.ClientSecretPost(secret);
    authenticate(server, metadata, body, headers);
  };
}

function claimsOf(tokens: client.TokenEndpointResponse & client.TokenEndpointResponseHelpers): Record<string, unknown> {
  const claims = tokens.claims();
  // the provider's own list of algorithms is what the library goes by; ours is shorter
  const algorithm = tokens.id_token === undefined ? undefined : decodeProtectedHeader(tokens.id_token).alg;
  if (claims === undefined || algorithm === undefined || !ALGORITHMS.includes(algorithm)) throw new SignInRefused('token');
  return { ...claims };
}

/** Codes of the library for an identity token that is not as it must be. */
const OF_TOKENS: ReadonlySet<string> = new Set([
  'OAUTH_JWT_CLAIM_COMPARISON_FAILED',
  'OAUTH_JWT_TIMESTAMP_CHECK_FAILED',
  'OAUTH_KEY_SELECTION_FAILED',
  'OAUTH_UNSUPPORTED_OPERATION',
]);
const TEMPORARY: ReadonlySet<string> = new Set(['server_error', 'temporarily_unavailable']);
/** The provider does not know us, or not by this secret: for the operator to put right. */
const OF_THE_OPERATOR: ReadonlySet<string> = new Set(['invalid_client', 'unauthorized_client', 'invalid_scope']);

/** Whose fault it was. Messages are never looked at. */
function meaningOf(error: unknown): Error {
  if (error instanceof SignInRefused) return error;
  if (error instanceof client.AuthorizationResponseError) {
    if (TEMPORARY.has(error.error) || OF_THE_OPERATOR.has(error.error)) return new SignInUnavailable(error);
    return new SignInRefused('declined', error);
  }
  if (error instanceof client.ResponseBodyError)
    return error.status >= 500 || OF_THE_OPERATOR.has(error.error) ? new SignInUnavailable(error) : new SignInRefused('answer', error);
  if (!(error instanceof client.ClientError)) return new SignInUnavailable(error);
  const { code = '', cause } = error;
  if (OF_TOKENS.has(code)) return new SignInRefused('token', error);
  // an answer of another status or kind than the standard has, no answer in time, or what the library did not foresee
  const isOfProvider = cause instanceof Response || code === 'OAUTH_TIMEOUT' || code === 'OAUTH_ABORT' || code === '';
  return isOfProvider ? new SignInUnavailable(error) : new SignInRefused('answer', error);
}

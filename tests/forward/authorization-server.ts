/**
 * A real OAuth server on loopback, whose one client may show itself by private_key_jwt only.
 */
import { createServer, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { exportJWK, generateKeyPair, type JWK } from 'jose';
import Provider, { type Adapter, type AdapterPayload } from 'oidc-provider';
import type { SigningAlgorithm } from '../../src/forward/signing-key.ts';

export const CLIENT_ID = 'harbourlight-ward-scales';
export const SCOPE = 'system/Observation.crus system/Provenance.crus';

export interface KeyPair {
  readonly privateKey: JWK;
  readonly publicKey: JWK;
}

export async function keyPair(algorithm: SigningAlgorithm, kid: string): Promise<KeyPair> {
  const pair = await generateKeyPair(algorithm, { extractable: true });
  const named = { kid, use: 'sig' };
  return { privateKey: { ...(await exportJWK(pair.privateKey)), ...named }, publicKey: { ...(await exportJWK(pair.publicKey)), ...named } };
}

export interface AuthorizationServer {
  readonly tokenUrl: string;
  /** Bodies of the token requests, as they arrived. */
  readonly requests: readonly URLSearchParams[];
  /** `error` and `error_description` of the refusals. */
  readonly refusals: readonly string[];
  /** Publishes other public keys of the client. */
  accept(...keys: readonly JWK[]): void;
  /** Scopes that tokens may have at most, from now on. */
  grant(scope: string): void;
  /** Whether this value of an `Authorization` header holds a token of this server that is in force. */
  knows(header: string | undefined): Promise<boolean>;
  /** Withdraws all tokens. */
  withdraw(): void;
  close(): Promise<void>;
}

const RESOURCE = 'urn:example:ehr';

export async function startAuthorizationServer(
  algorithm: SigningAlgorithm,
  publicKey: JWK,
  lifeSeconds = 300,
): Promise<AuthorizationServer> {
  let keys: readonly JWK[] = [publicKey];
  let granted = SCOPE;
  const client = (): AdapterPayload => ({
    client_id: CLIENT_ID,
    grant_types: ['client_credentials'],
    redirect_uris: [],
    response_types: [],
    token_endpoint_auth_method: 'private_key_jwt',
    token_endpoint_auth_signing_alg: algorithm,
    id_token_signed_response_alg: 'ES384',
    jwks: { keys: [...keys] },
  });
  const rows = new Map<string, AdapterPayload>();

  const server = createServer();
  await listening(server);
  const origin = `http://127.0.0.1:${(server.address() as AddressInfo).port}`;
  const provider = new Provider(origin, {
    adapter: (model: string): Adapter => adapterOf(model, rows, client),
    clients: [],
    clientAuthMethods: ['private_key_jwt'],
    enabledJWA: { clientAuthSigningAlgValues: ['RS384', 'ES384'], idTokenSigningAlgValues: ['ES384'] },
    features: {
      devInteractions: { enabled: false },
      clientCredentials: { enabled: true },
      resourceIndicators: {
        enabled: true,
        defaultResource: () => RESOURCE,
        getResourceServerInfo: () => ({ scope: granted, accessTokenTTL: lifeSeconds, accessTokenFormat: 'opaque' }),
      },
    },
    scopes: SCOPE.split(' '),
    ttl: { ClientCredentials: lifeSeconds },
    jwks: { keys: [(await keyPair('ES384', 'of-the-server')).privateKey] },
    cookies: { keys: ['for loopback tests'] },
  });
  const requests: URLSearchParams[] = [];
  const refusals: string[] = [];
  provider.on('grant.error', (_context, error) => void refusals.push(`${error.error}: ${error.error_detail ?? ''}`));
  provider.use(async (context, next) => {
    await next();
    requests.push(new URLSearchParams(context.oidc.body as Record<string, string>));
  });
  const handle = provider.callback();
  server.on('request', (request, response) => void handle(request, response));

  return {
    tokenUrl: `${origin}/token`,
    requests,
    refusals,
    accept: (...accepted) => (keys = accepted),
    grant: (scope) => (granted = scope),
    knows: async (header) => {
      const token = /^Bearer (.+)$/.exec(header ?? '')?.[1];
      return token !== undefined && (await provider.ClientCredentials.find(token)) !== undefined;
    },
    withdraw: () => rows.forEach((_row, id) => id.startsWith('ClientCredentials ') && rows.delete(id)),
    close: () => closed(server),
  };
}

function adapterOf(model: string, rows: Map<string, AdapterPayload>, client: () => AdapterPayload): Adapter {
  const nothing = () => Promise.resolve(undefined);
  return {
    find: (id) => Promise.resolve(model === 'Client' ? (id === CLIENT_ID ? client() : undefined) : rows.get(`${model} ${id}`)),
    upsert: (id, payload) => Promise.resolve(void rows.set(`${model} ${id}`, payload)),
    destroy: (id) => Promise.resolve(void rows.delete(`${model} ${id}`)),
    findByUid: nothing,
    findByUserCode: nothing,
    consume: nothing,
    revokeByGrantId: nothing,
  };
}

export async function listening(server: Server): Promise<void> {
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', () => resolve()));
}

export async function closed(server: Server): Promise<void> {
  server.closeAllConnections();
  await new Promise((resolve) => server.close(resolve));
}

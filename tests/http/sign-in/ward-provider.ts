/** A real OpenID provider (`oidc-provider`) on loopback, whose login page lets in whoever the test says. All people are invented. */
import { once } from 'node:events';
import { createServer, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { exportJWK, generateKeyPair } from 'jose';
import Provider, { type Configuration } from 'oidc-provider';

export const CLIENT_ID = 'ward-pages';

export interface WardProvider {
  readonly issuer: string;
  /** Who types in their password now; nobody does while it is undefined, and turns back. */
  person: string | undefined;
  /** Logins at the provider so far: its own session spares some. */
  readonly logins: number;
  /** Answers nothing while it is true. */
  isDown: boolean;
  /** Calls that it was asked to answer, by path. */
  readonly asked: readonly string[];
  close(): Promise<void>;
}

interface Options {
  readonly claims: (person: string) => Readonly<Record<string, unknown>>;
  readonly clientSecret?: string;
  readonly configuration?: Configuration;
  /** As people's browsers call it: `localhost` is another site than 127.0.0.1, as the provider is in life. */
  readonly host?: '127.0.0.1' | 'localhost';
  /** The library's own login page, for people at a browser; `person` and `logins` then say nothing. */
  readonly showsLogin?: true;
}

/** @param pages origins from which people come */
export async function startWardProvider(
  pages: readonly string[],
  { claims, clientSecret, configuration = {}, host = '127.0.0.1', showsLogin }: Options,
): Promise<WardProvider> {
  const keys = await Promise.all(
    ['RS256', 'ES256'].map(async (alg) => ({
      ...(await exportJWK((await generateKeyPair(alg, { extractable: true })).privateKey)),
      kid: alg,
      alg,
      use: 'sig',
    })),
  );
  const state = { person: undefined as string | undefined, logins: 0, isDown: false, asked: [] as string[] };
  const server: Server = createServer((req, res) => {
    state.asked.push((req.url ?? '').split('?')[0] ?? '');
    if (state.isDown) {
      req.socket.destroy();
      return;
    }
    if (showsLogin || !req.url?.startsWith('/interaction/')) {
      void provider.callback()(req, res);
      return;
    }
    const { person } = state;
    if (person === undefined) void provider.interactionFinished(req, res, { error: 'access_denied' });
    else {
      state.logins += 1;
      void provider.interactionFinished(req, res, { login: { accountId: person } });
    }
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const issuer = `http://${host}:${(server.address() as AddressInfo).port}`;
  const provider = new Provider(issuer, {
    jwks: { keys: keys },
    cookies: { keys: ['invented-and-used-for-nothing'] },
    clients: [
      {
        client_id: CLIENT_ID,
        redirect_uris: pages.map((origin) => `${origin}/review/signed-in`),
        post_logout_redirect_uris: pages.map((origin) => `${origin}/review/signed-out`),
        grant_types: ['authorization_code'],
        response_types: ['code'],
        ...(clientSecret === undefined ? { token_endpoint_auth_method: 'none' } : { client_secret: clientSecret }),
      },
    ],
    claims: { openid: ['sub'], profile: ['name', 'roles', 'realm_access'] },
    conformIdTokenClaims: false,
    findAccount: (_context, accountId) => ({ accountId, claims: () => ({ sub: accountId, ...claims(accountId) }) }),
    ...(showsLogin === undefined && { interactions: { url: (_context, { uid }) => `/interaction/${uid}` } }),
    ttl: { AccessToken: 600, AuthorizationCode: 60, Grant: 600, IdToken: 600, Interaction: 600, Session: 3600 },
    // nobody is asked for consent in a hospital
    loadExistingGrant: async ({ oidc }) => {
      const grant = new oidc.provider.Grant({ clientId: CLIENT_ID, accountId: oidc.session?.accountId ?? '' });
      grant.addOIDCScope('openid profile');
      await grant.save();
      return grant;
    },
    ...configuration,
    features: { devInteractions: { enabled: showsLogin === true }, ...configuration.features },
  });
  return Object.assign(state, {
    issuer,
    close: async () => {
      server.close();
      server.closeAllConnections();
      await once(server, 'close').catch(() => undefined);
    },
  });
}

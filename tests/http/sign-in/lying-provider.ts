/** An OpenID provider on loopback that answers what a test says, for what a real one never would. */
import { once } from 'node:events';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { base64url, exportJWK, generateKeyPair, SignJWT, UnsecuredJWT, type CryptoKey, type JWTPayload } from 'jose';
import { CLIENT_ID } from './ward-provider.ts';

/** Those that are `undefined` are left out. */
export type Claims = Readonly<Record<string, unknown>>;

export interface Answered {
  readonly status?: number;
  readonly body: unknown;
}

export interface LyingProvider {
  readonly issuer: string;
  /** Members of the metadata that are said otherwise. */
  metadata: Record<string, unknown>;
  /** Answer of the token endpoint to a form. */
  token: (form: URLSearchParams) => Promise<Answered>;
  userinfo: Record<string, unknown>;
  /** An identity token as it should be, but for what is changed. */
  idToken(nonce: string, changes?: Claims, alg?: string): Promise<string>;
  close(): Promise<void>;
}

export const SUBJECT = 'nurse-7';

export async function startLyingProvider(): Promise<LyingProvider> {
  const { privateKey, publicKey } = await generateKeyPair('RS256', { extractable: true });
  const other = await generateKeyPair('RS256', { extractable: true });
  const keys = { keys: [{ ...(await exportJWK(publicKey)), kid: 'known', use: 'sig', alg: 'RS256' }] };
  const server = createServer((req, res) => {
    const chunks: Buffer[] = [];
    req.on('data', (chunk: Buffer) => chunks.push(chunk));
    req.on('end', () => {
      void answer(req.url ?? '', new URLSearchParams(Buffer.concat(chunks).toString())).then(({ status = 200, body }) => {
        res.writeHead(status, { 'Content-Type': 'application/json' }).end(JSON.stringify(body));
      });
    });
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const issuer = `http://127.0.0.1:${(server.address() as AddressInfo).port}`;
  const answer = async (url: string, form: URLSearchParams): Promise<Answered> => {
    if (url === '/.well-known/openid-configuration')
      return {
        body: {
          issuer,
          authorization_endpoint: `${issuer}/auth`,
          token_endpoint: `${issuer}/token`,
          jwks_uri: `${issuer}/jwks`,
          userinfo_endpoint: `${issuer}/me`,
          id_token_signing_alg_values_supported: ['RS256', 'HS256', 'none'],
          authorization_response_iss_parameter_supported: true,
          ...provider.metadata,
        },
      };
    if (url === '/jwks') return { body: keys };
    if (url === '/me') return { body: { sub: SUBJECT, ...provider.userinfo } };
    return url === '/token' ? provider.token(form) : { status: 404, body: {} };
  };
  const provider: LyingProvider = {
    issuer,
    metadata: {},
    token: () => Promise.resolve({ status: 400, body: { error: 'invalid_grant' } }),
    userinfo: {},
    idToken: (nonce, changes = {}, alg = 'RS256') => {
      const seconds = Math.floor(Date.now() / 1000);
      const claims = {
        iss: issuer,
        aud: CLIENT_ID,
        sub: SUBJECT,
        nonce,
        iat: seconds,
        exp: seconds + 60,
        auth_time: seconds,
        roles: ['reviewer'],
        name: 'A Name',
      };
      const payload = Object.fromEntries(
        Object.entries({ ...claims, ...changes }).filter(([, value]) => value !== undefined),
      ) as JWTPayload;
      if (alg === 'none') return Promise.resolve(new UnsecuredJWT(payload).encode());
      const sign = (key: CryptoKey | Uint8Array, header: { alg: string; kid: string }) =>
        new SignJWT(payload).setProtectedHeader(header).sign(key);
      // signed with what everybody knows (RFC 8725 section 2.1)
      if (alg === 'HS256') return sign(base64url.decode(String(keys.keys[0]?.n)), { alg, kid: 'known' });
      return alg === 'other key' ? sign(other.privateKey, { alg: 'RS256', kid: 'known' }) : sign(privateKey, { alg, kid: 'known' });
    },
    close: async () => {
      server.close();
      server.closeAllConnections();
      await once(server, 'close').catch(() => undefined);
    },
  };
  return provider;
}

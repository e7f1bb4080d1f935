/** A key server on loopback that a test can take down, slow down, or have say anything. */
import { once } from 'node:events';
import { createServer, type RequestListener } from 'node:http';
import type { AddressInfo } from 'node:net';
import { closeAfterTest } from '../../closing.ts';
import type { SigningKey } from './issuer.ts';

export interface KeyServer {
  readonly url: string;
  /** How often it was asked. */
  hits: number;
  answer: RequestListener;
}

export const jwksOf = (keys: readonly SigningKey[]): string => JSON.stringify({ keys: keys.map(({ publicJwk }) => publicJwk) });

export const serving =
  (text: string, headers: Readonly<Record<string, string>> = {}): RequestListener =>
  (_req, res) => {
    res.writeHead(200, { 'Content-Type': 'application/json', ...headers });
    res.end(text);
  };

export const DOWN: RequestListener = (_req, res) => {
  res.destroy();
};

export async function startKeyServer(answer: RequestListener): Promise<KeyServer> {
  const server = createServer((req, res) => {
    state.hits += 1;
    state.answer(req, res);
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const state: KeyServer = { url: `http://127.0.0.1:${(server.address() as AddressInfo).port}/keys`, hits: 0, answer };
  closeAfterTest(() => {
    server.close();
    server.closeAllConnections();
  });
  return state;
}

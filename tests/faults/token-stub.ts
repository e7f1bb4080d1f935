/** A token endpoint on loopback that gives out tokens to whoever asks, or fails in the way that it is told to. */
import { createServer, type Server } from 'node:http';
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import { MARKER } from './gateway-plan.ts';

export type TokenTrouble = 'refused' | 'error' | 'invalid-client' | 'hang' | 'page';

const ANSWERS: Readonly<Record<Exclude<TokenTrouble, 'hang' | 'refused'>, readonly [status: number, type: string, body: string]>> = {
  error: [500, 'application/json', '{"error":"server_error"}'],
  'invalid-client': [401, 'application/json', '{"error":"invalid_client"}'],
  page: [200, 'text/html', '<!doctype html><title>Welcome</title>'],
};

export class TokenStub {
  /** How many tokens were given out. */
  given = 0;
  trouble: Exclude<TokenTrouble, 'refused'> | undefined;
  readonly #port: number;
  #server: Server | undefined;

  private constructor(server: Server) {
    this.#server = server;
    this.#port = (server.address() as AddressInfo).port;
    server.on('request', (_request, response) => {
      if (this.trouble === 'hang') return;
      const [status, type, body] = this.trouble === undefined ? this.#token() : ANSWERS[this.trouble];
      response.writeHead(status, { 'content-type': type, 'cache-control': 'no-store' });
      response.end(body);
    });
  }

  static async start(): Promise<TokenStub> {
    const server = createServer().listen(0, '127.0.0.1');
    await once(server, 'listening');
    return new TokenStub(server);
  }

  get url(): string {
    return `http://127.0.0.1:${this.#port}/token`;
  }

  #token(): readonly [number, string, string] {
    this.given += 1;
    const scope = 'system/Observation.crus system/Provenance.crus';
    // short-lived, so that many are asked for; with the marker, so that a token in a log is found
    return [
      200,
      'application/json',
      JSON.stringify({ access_token: `${MARKER}-${this.given}`, token_type: 'bearer', expires_in: 60, scope }),
    ];
  }

  async down(): Promise<void> {
    const server = this.#server;
    if (server?.listening !== true) return;
    const closed = once(server, 'close');
    server.close();
    server.closeAllConnections();
    await closed;
  }

  async up(): Promise<void> {
    this.trouble = undefined;
    if (this.#server?.listening === true) return;
    this.#server?.listen(this.#port, '127.0.0.1');
    await once(this.#server as Server, 'listening');
  }
}

/** A subscriber on a loopback port that a test can have fail in every way that one does. */
import { once } from 'node:events';
import { createServer, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import type * as fhir4 from 'fhir/r4.js';

export type Mood = 'takes' | 'fails' | 'refuses' | 'redirects' | 'resets' | 'hangs' | 'takes-and-resets';

export class SubscriberStub {
  /** What it does with the next notifications, one by one; afterwards it takes them. */
  readonly moods: Mood[] = [];
  /** Every notification that arrived whole, taken or not. */
  readonly received: { readonly bundle: fhir4.Bundle; readonly text: string; readonly mood: Mood; readonly url: string }[] = [];
  readonly #server: Server;

  private constructor(server: Server) {
    this.#server = server;
  }

  static async start(): Promise<SubscriberStub> {
    const server = createServer();
    const stub = new SubscriberStub(server);
    server.on('request', (req, res) => {
      const chunks: Buffer[] = [];
      req.on('data', (chunk: Buffer) => chunks.push(chunk));
      req.on('end', () => {
        const mood = stub.moods.shift() ?? 'takes';
        const text = Buffer.concat(chunks).toString('utf8');
        stub.received.push({ bundle: JSON.parse(text) as fhir4.Bundle, text, mood, url: req.url ?? '' });
        if (mood === 'resets' || mood === 'takes-and-resets') req.socket.destroy();
        else if (mood === 'redirects') res.writeHead(307, { Location: `${stub.url}/elsewhere` }).end();
        else if (mood !== 'hangs') res.writeHead({ takes: 200, fails: 503, refuses: 400 }[mood]).end();
      });
    });
    server.listen(0, '127.0.0.1');
    await once(server, 'listening');
    return stub;
  }

  get url(): string {
    return `http://127.0.0.1:${(this.#server.address() as AddressInfo).port}`;
  }

  /** Event numbers in the order in which they arrived and were kept, repetitions and all. */
  get numbers(): number[] {
    return this.#kept.flatMap(({ bundle }) => eventsIn(bundle).map(({ number }) => number));
  }

  /** `id/version` by event number. */
  get focus(): Map<number, string> {
    return new Map(this.#kept.flatMap(({ bundle }) => eventsIn(bundle).map(({ number, focus }): [number, string] => [number, focus])));
  }

  get #kept() {
    return this.received.filter(({ mood }) => mood === 'takes' || mood === 'takes-and-resets');
  }

  async stop(): Promise<void> {
    this.#server.close();
    this.#server.closeAllConnections();
    await once(this.#server, 'close');
  }
}

/** The events of a notification with the version that each speaks of, in order. */
export function eventsIn({ entry = [] }: fhir4.Bundle): { readonly number: number; readonly focus: string }[] {
  const [status, ...resources] = entry.map(({ resource }) => resource);
  const { parameter = [] } = status as fhir4.Parameters;
  let at = 0;
  return parameter
    .filter(({ name }) => name === 'notification-event')
    .map(({ part = [] }) => {
      const number = Number(part.find(({ name }) => name === 'event-number')?.valueString);
      const hasFocus = part.some(({ name }) => name === 'focus');
      const resource = hasFocus ? resources[at] : undefined;
      if (hasFocus) at += 1;
      return { number, focus: resource === undefined ? 'removed' : `${resource.id ?? ''}/${resource.meta?.versionId ?? ''}` };
    });
}

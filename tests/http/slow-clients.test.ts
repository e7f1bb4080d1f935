/** Clients that are slow on purpose: all are let go within the limits, and others are served all the while. */
import { once } from 'node:events';
import { createServer } from 'node:http';
import { connect, type AddressInfo, type Socket } from 'node:net';
import { afterEach, describe, expect, test } from 'vitest';
import { makeRoomForConnections } from '../../src/http/connections.ts';
import { LIMITS } from '../../src/http/server.ts';
import { statusesIn } from './bare-socket.ts';
import { startEdge } from './edge.ts';

const SHORT = { ...LIMITS, headersTimeout: 400, requestTimeout: 600, connectionsCheckingInterval: 50 };
const HEADERS = 'GET /fhir/metadata HTTP/1.1\r\nHost: x\r\nX-Slow: ';
const BODY = 'POST /fhir/Observation HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 2048\r\n\r\n';

const opened: Socket[] = [];
afterEach(() => opened.splice(0).forEach((socket) => socket.destroy()));

interface Dripping {
  /** What came back by the time the other side closed the connection. */
  readonly closed: Promise<string>;
}

/** Sends `start`, then a byte every few milliseconds until it is let go. */
function drip(port: number, start: string): Dripping {
  const socket = connect(port, '127.0.0.1');
  opened.push(socket);
  let text = '';
  socket.on('data', (chunk: Buffer) => (text += chunk.toString()));
  socket.on('error', () => undefined);
  socket.write(start);
  const dripping = setInterval(() => socket.write('a'), 20);
  const closed = once(socket, 'close').then(() => {
    clearInterval(dripping);
    return text;
  });
  return { closed };
}

test('a hundred that drip headers and fifty that drip bodies are let go, while requests are answered', async () => {
  const edge = await startEdge({ limits: SHORT });
  const slow = [...Array.from({ length: 100 }, () => drip(edge.port, HEADERS)), ...Array.from({ length: 50 }, () => drip(edge.port, BODY))];
  const all = { gone: false };
  const answers = Promise.all(slow.map(({ closed }) => closed)).finally(() => (all.gone = true));
  let served = 0;
  while (!all.gone) {
    expect((await edge.call('GET', '/fhir/metadata')).status).toBe(200);
    served += 1;
  }
  expect(served).toBeGreaterThan(0);
  const statuses = (await answers).flatMap(statusesIn);
  expect(statuses.length).toBeGreaterThan(0);
  expect(new Set(statuses)).toEqual(new Set([408]));
  expect((await edge.call('GET', '/health/ready')).status).toBe(200);
});

test('connections over which nothing ever comes are closed', async () => {
  const edge = await startEdge({ limits: SHORT });
  const silent = Array.from({ length: 20 }, () => connect(edge.port, '127.0.0.1'));
  opened.push(...silent);
  for (const socket of silent) socket.on('error', () => undefined).resume();
  await Promise.all(silent.map((socket) => once(socket, 'close')));
});

test('a caller who does not read its answer is cut off', async () => {
  const many = 'x'.repeat(64 * 1024 * 1024);
  const edge = await startEdge({
    limits: { ...LIMITS, longestExchangeMs: 300 },
    serving: { metrics: { contentType: 'text/plain', text: () => Promise.resolve(many), request: () => undefined } as never },
  });
  const socket = connect(edge.port, '127.0.0.1');
  opened.push(socket);
  socket.on('error', () => undefined);
  socket.write('GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n');
  // the answer begins, and is then left where it is
  await once(socket, 'readable');
  while (!edge.logLines.some((line) => line.includes('"route":"/metrics"'))) await new Promise((resolve) => setTimeout(resolve, 20));
  expect((await edge.call('GET', '/health/live')).status).toBe(200);
});

describe('when nearly all connections are taken', () => {
  test('the one that is idle longest makes room, and none that waits for an answer', async () => {
    const held: (() => void)[] = [];
    const server = createServer((req, res) => {
      if (req.url === '/held') held.push(() => res.end());
      else res.end();
    });
    makeRoomForConnections(server, 3);
    server.listen(0, '127.0.0.1');
    await once(server, 'listening');
    const { port } = server.address() as AddressInfo;
    const open = async (text?: string): Promise<Socket> => {
      const accepted = once(server, 'connection');
      const socket = connect(port, '127.0.0.1');
      opened.push(socket);
      socket.on('error', () => undefined);
      await accepted;
      if (text !== undefined) {
        const asked = once(server, 'request');
        socket.write(text);
        await asked;
      }
      socket.resume();
      return socket;
    };
    const waiting = await open('GET /held HTTP/1.1\r\nHost: x\r\n\r\n');
    const longest = await open();
    const later = await open();
    const closed = once(longest, 'close');
    const newest = await open('GET / HTTP/1.1\r\nHost: x\r\n\r\n');
    await closed;
    expect([waiting, later, newest].map(({ destroyed }) => destroyed)).toEqual([false, false, false]);
    const answered = once(waiting, 'data');
    held[0]?.();
    expect(String(await answered)).toMatch(/^HTTP\/1\.1 200/);
    server.close();
    server.closeAllConnections();
  });
});

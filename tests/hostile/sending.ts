/** Sends a hostile request through a real socket, placeholders filled, whatever shape it has. */
import { randomUUID } from 'node:crypto';
import { once } from 'node:events';
import { connect } from 'node:net';
import { send, type Answer } from '../http/edge.ts';
import type { HostileRequest } from './cases.ts';

export interface Surroundings {
  readonly port: number;
  readonly canaryPort: number;
  readonly nowMs: number;
  readonly run: string;
}

/** What came back; `closed` when the connection was closed without an answer. */
export type Reply = (Answer & { readonly closed?: false }) | { readonly closed: true };

const FIXTURES: Readonly<Record<string, string>> = {
  '{{patient:A}}': 'ada-invented',
  '{{patient:B}}': 'ben-invented',
  '{{device:scale1}}': 'scale-1',
  '{{mrn:ambiguous}}': 'MRN-TWICE',
  '{{token:gateway}}': 'no-authentication-here',
  // forms of the pages as they really are: tests/http/review.test.ts and tests/http/sign-in/forms.test.ts
  '{{cookie:reviewer}}': 'steelyard-session=nobody',
  '{{held:1}}': 'held-1',
};

export function fill(text: string, { port, canaryPort, nowMs, run }: Surroundings): string {
  return text
    .replace(/\{\{uuid\}\}/g, () => randomUUID())
    .replace(/\{\{run\}\}/g, run)
    .replace(/\{\{host\}\}/g, `127.0.0.1:${port}`)
    .replace(/\{\{canaryPort\}\}/g, String(canaryPort))
    .replace(/\{\{now:([+-]\d+)s\}\}/g, (_, seconds: string) => `${new Date(nowMs + Number(seconds) * 1000).toISOString().slice(0, 19)}Z`)
    .replace(/\{\{repeat:([^:]*):(\d+)\}\}/g, (_, unit: string, count: string) => unit.repeat(Number(count)))
    .replace(/\{\{[a-z]+:[A-Za-z0-9]+\}\}/g, (name) => {
      const fixture = FIXTURES[name];
      if (fixture === undefined) throw new Error(`no fixture for ${name}`);
      return fixture;
    });
}

export function bodyOf(request: HostileRequest, surroundings: Surroundings): Buffer | undefined {
  const { bodyBase64, bodyRepeat, bodyText } = request;
  if (bodyBase64 !== undefined) return Buffer.from(fill(Buffer.from(bodyBase64, 'base64').toString('latin1'), surroundings), 'latin1');
  if (bodyRepeat !== undefined) {
    const { prefix, unit, count, suffix, unit2 = '', count2 = 0 } = bodyRepeat;
    return Buffer.from(fill(prefix, surroundings) + unit.repeat(count) + suffix + unit2.repeat(count2));
  }
  return typeof bodyText === 'string' ? Buffer.from(fill(bodyText, surroundings)) : undefined;
}

export async function sendHostile(request: HostileRequest, surroundings: Surroundings): Promise<Reply> {
  const { rawText, slow, method, extraHeaders } = request;
  if (rawText !== undefined) return onBareSocket(Buffer.from(fill(rawText, surroundings)), surroundings.port);
  const headers = Object.fromEntries(Object.entries(request.headers).map(([name, value]) => [name, fill(value, surroundings)]));
  for (let index = 0; index < (extraHeaders?.count ?? 0); index++) headers[`${extraHeaders?.prefix}${index}`] = extraHeaders?.value ?? '';
  const path = fill(request.path, surroundings);
  const body = bodyOf(request, surroundings);
  if (slow !== undefined) return slowly({ method, path, headers, body: body ?? Buffer.alloc(0) }, slow.bytesPerSecond, surroundings.port);
  return send(surroundings.port, method, path, { headers, ...(body && { body }) });
}

async function onBareSocket(bytes: Buffer, port: number): Promise<Reply> {
  const socket = connect(port, '127.0.0.1');
  socket.end(bytes);
  return readRaw(socket);
}

interface SlowRequest {
  readonly method: string;
  readonly path: string;
  readonly headers: Readonly<Record<string, string>>;
  readonly body: Buffer;
}

async function slowly({ method, path, headers, body }: SlowRequest, bytesPerSecond: number, port: number): Promise<Reply> {
  const socket = connect(port, '127.0.0.1');
  const lines = [`${method} ${path} HTTP/1.1`, `Host: 127.0.0.1:${port}`, `Content-Length: ${body.length}`];
  for (const [name, value] of Object.entries(headers)) lines.push(`${name}: ${value}`);
  socket.write(`${lines.join('\r\n')}\r\n\r\n`);
  let sent = 0;
  const drip = setInterval(() => socket.write(body.subarray(sent, ++sent)), 1000 / bytesPerSecond);
  try {
    return await readRaw(socket);
  } finally {
    clearInterval(drip);
    socket.destroy();
  }
}

async function readRaw(socket: ReturnType<typeof connect>): Promise<Reply> {
  const chunks: Buffer[] = [];
  socket.on('data', (chunk: Buffer) => chunks.push(chunk));
  socket.on('error', () => undefined);
  await once(socket, 'close');
  const text = Buffer.concat(chunks).toString('utf8');
  if (text === '') return { closed: true };
  const [head = '', ...rest] = text.split('\r\n\r\n');
  const status = Number(/^HTTP\/1\.1 (\d{3})/.exec(head)?.[1]);
  const headers = Object.fromEntries(
    head
      .split('\r\n')
      .slice(1)
      .map((line) => [line.slice(0, line.indexOf(':')).toLowerCase(), line.slice(line.indexOf(':') + 1).trim()]),
  );
  return { status, headers, text: rest.join('\r\n\r\n') };
}

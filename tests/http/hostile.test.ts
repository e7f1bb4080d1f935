/**
 * Hostile requests from an optional collection beside the project, one JSON object a line, against
 * the running service. Who may call, and the review page, are not served yet.
 */
import { once } from 'node:events';
import { existsSync, readFileSync } from 'node:fs';
import { connect } from 'node:net';
import { join } from 'node:path';
import { randomUUID } from 'node:crypto';
import { gzipSync } from 'node:zlib';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { loadConfig } from '../../src/config.ts';
import { createLog } from '../../src/log.ts';
import { start, type Running } from '../../src/main.ts';
import { issueCodes, send, type Answer } from './edge.ts';

interface Repeated {
  readonly prefix?: string;
  readonly unit?: string;
  readonly count?: number;
  readonly join?: string;
  readonly suffix?: string;
  readonly unit2?: string;
  readonly count2?: number;
  readonly end?: string;
}

interface Case {
  readonly id: string;
  readonly category: string;
  readonly description: string;
  readonly request: {
    readonly method: string;
    readonly path: string;
    readonly headers?: Readonly<Record<string, string>>;
    readonly bodyText?: string | null;
    readonly bodyBase64?: string;
    readonly bodyRepeat?: Repeated;
    readonly bodyGzipRepeat?: Repeated;
    readonly rawText?: string;
    readonly extraHeaders?: { readonly prefix: string; readonly count: number; readonly value: string };
    readonly slow?: unknown;
  };
  readonly expect: {
    readonly status?: number | readonly number[];
    readonly statusClass?: string;
    readonly issueCode?: string | readonly string[];
    readonly mustNot?: readonly string[];
  };
  readonly allowAlso?: readonly number[];
}

const COLLECTION = join(import.meta.dirname, '../../../shared/data/hostile/cases.jsonl');
/**
 * Half a minute of waiting (server.test.ts has the same, shortened) and a page that is not served yet.
 */
const NOT_HERE = new Set(['HTTP-23', 'HTTP-41']);

function readCases(): Case[] {
  if (!existsSync(COLLECTION)) return [];
  const lines = readFileSync(COLLECTION, 'utf8')
    .split('\n')
    .filter((line) => line !== '');
  return lines.map((line) => JSON.parse(line) as Case).filter(({ id, category }) => category !== 'AUTH' && !NOT_HERE.has(id));
}

function expand(text: string, port: number): string {
  return text
    .replaceAll('{{uuid}}', () => randomUUID())
    .replaceAll('{{host}}', `127.0.0.1:${port}`)
    .replace(/\{\{now:([+-]\d+)s\}\}/g, (_, seconds: string) => new Date(Date.now() + Number(seconds) * 1000).toISOString())
    .replace(/\{\{repeat:([^:]+):(\d+)\}\}/g, (_, unit: string, count: string) => unit.repeat(Number(count)))
    .replace(/\{\{(\w+):?([\w-]*)\}\}/g, (_, kind: string, name: string) => `${kind}-${name}-${RUN}`);
}

const RUN = randomUUID().slice(0, 8);

function repeated({
  prefix = '',
  unit = '',
  count = 0,
  join: between = '',
  suffix = '',
  unit2 = '',
  count2 = 0,
  end = '',
}: Repeated): string {
  return prefix + Array<string>(count).fill(unit).join(between) + suffix + unit2.repeat(count2) + end;
}

function bodyOf({ bodyText, bodyBase64, bodyRepeat, bodyGzipRepeat }: Case['request'], port: number): string | Buffer | undefined {
  if (bodyBase64 !== undefined) return Buffer.from(bodyBase64, 'base64');
  if (bodyRepeat) return expand(repeated(bodyRepeat), port);
  if (bodyGzipRepeat) return gzipSync(expand(repeated(bodyGzipRepeat), port));
  return typeof bodyText === 'string' ? expand(bodyText, port) : undefined;
}

async function sendRaw(port: number, text: string): Promise<Answer> {
  const socket = connect(port, '127.0.0.1');
  const chunks: Buffer[] = [];
  socket.on('data', (chunk: Buffer) => chunks.push(chunk));
  socket.end(text);
  await once(socket, 'close');
  const [head = '', ...rest] = Buffer.concat(chunks).toString('utf8').split('\r\n\r\n');
  return { status: Number(head.split(' ')[1]), headers: {}, text: rest.join('\r\n\r\n') };
}

const cases = readCases();

describe.skipIf(cases.length === 0)('a hostile request', () => {
  let running: Running;
  let port: number;
  const log: string[] = [];
  beforeAll(async () => {
    const config = loadConfig({ STEELYARD_PORT: '0', STEELYARD_DATABASE: ':memory:' });
    running = await start(config, { log: createLog('info', { write: (line: string) => void log.push(line) }) });
    port = Number(new URL(running.url).port);
  });
  beforeAll(async () => {
    // two people with one number, for the case that names it
    for (const id of [`one-${RUN}`, `two-${RUN}`]) {
      const body = `{"resourceType":"Patient","id":"${id}","identifier":[{"system":"urn:example:mrn","value":"mrn-ambiguous-${RUN}"}]}`;
      await send(port, 'PUT', `/fhir/Patient/${id}`, { body, headers: { 'Content-Type': 'application/fhir+json' } });
    }
  });
  afterAll(() => running.stop());

  test.each(cases.map((hostile) => [hostile.id, hostile.description, hostile] as const))('%s: %s', async (_id, _description, hostile) => {
    const { request, expect: expected, allowAlso = [] } = hostile;
    const { extraHeaders } = request;
    const headers = {
      ...Object.fromEntries(Object.entries(request.headers ?? {}).map(([name, value]) => [name, expand(value, port)])),
      ...(extraHeaders &&
        Object.fromEntries(Array.from({ length: extraHeaders.count }, (_, at) => [`${extraHeaders.prefix}${at}`, extraHeaders.value]))),
    };
    const body = bodyOf(request, port);
    log.length = 0;
    const startedAt = performance.now();
    const answer =
      request.rawText === undefined
        ? await send(port, request.method, expand(request.path, port), { headers, ...(body !== undefined && { body }) })
        : await sendRaw(port, expand(request.rawText, port));
    const tookMs = performance.now() - startedAt;

    const allowed = [expected.status ?? [], allowAlso].flat();
    const isClass = expected.statusClass !== undefined && String(answer.status).startsWith(expected.statusClass.slice(0, 1));
    expect(isClass || allowed.includes(answer.status), `${answer.status} ${answer.text.slice(0, 400)}`).toBe(true);
    if (answer.status >= 400 && answer.text !== '') {
      const codes = issueCodes(answer);
      if (expected.issueCode !== undefined)
        expect(
          [expected.issueCode].flat().some((code) => codes.includes(code)),
          answer.text,
        ).toBe(true);
    }
    const seen = answer.text + JSON.stringify(answer.headers);
    const lines = log.join('');
    for (const ban of expected.mustNot ?? []) {
      const [kind, value = ''] = ban.split(/:(.*)/s);
      if (kind === 'logContains') expect(lines).not.toContain(value);
      else if (kind === 'reflectHost') expect(seen).not.toContain(value);
      else if (kind === 'exceedMs') expect(tookMs).toBeLessThan(Number(value));
      else if (kind === 'reflectHtml') expect(answer.headers['content-type'] ?? '').not.toContain('html');
      else if (kind === 'polluteProto') expect(Object.keys(Object.prototype)).toEqual([]);
      else if (kind === 'echoBody' && typeof body === 'string') expect(answer.text).not.toContain(body.slice(0, 60));
      else if (kind === 'logBody' && typeof body === 'string') expect(lines).not.toContain(body.slice(0, 60));
    }
    expect(log.every((line) => line.endsWith('}\n') && line.indexOf('\n') === line.length - 1)).toBe(true);
    expect((await send(port, 'GET', '/health/live')).status).toBe(200);
  });
});

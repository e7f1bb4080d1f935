/** One HTTP call of a gateway: what came back, or that nothing did. Judges nothing. */
import { request, type Agent } from 'node:http';
import { isJsonObject, parseExactJson } from '../../src/core/json.ts';
import type { ReadingAnswer } from './history.ts';

export interface HttpAnswer {
  readonly status: number;
  readonly location: string;
  readonly etag: string;
  readonly retryAfter?: string;
  readonly body: string;
}

/** Longer than any answer of a service that is well; shorter than a gateway's patience. */
const TIMEOUT_MS = 4_000;

/** Rejects when no whole answer came. */
export function httpCall(
  url: string,
  { method, body, headers = {}, agent }: { method: string; body?: string; headers?: Readonly<Record<string, string>>; agent?: Agent },
): Promise<HttpAnswer> {
  return new Promise((resolve, reject) => {
    const outgoing = request(url, { method, timeout: TIMEOUT_MS, ...(agent && { agent }), headers: { ...headers } }, (response) => {
      const chunks: Buffer[] = [];
      response.on('data', (chunk: Buffer) => chunks.push(chunk));
      response.on('error', reject);
      response.on('end', () => {
        const { location = '', etag = '', 'retry-after': retryAfter } = response.headers;
        const text = Buffer.concat(chunks).toString('utf8');
        resolve({ status: response.statusCode ?? 0, location, etag, ...(retryAfter !== undefined && { retryAfter }), body: text });
      });
    });
    outgoing.on('timeout', () => outgoing.destroy(new Error('no answer in time')));
    outgoing.on('error', reject);
    outgoing.end(body);
  });
}

/** What each of `count` readings was answered; all alike when it is not a Bundle of answers. */
export function readingAnswers({ status, location, body }: HttpAnswer, count: number): readonly ReadingAnswer[] {
  const parsed = parseExactJson(body === '' ? 'null' : body);
  const bundle = parsed.ok && isJsonObject(parsed.value) && parsed.value['resourceType'] === 'Bundle' ? parsed.value : undefined;
  const entries = Array.isArray(bundle?.['entry']) ? bundle['entry'] : [];
  if (bundle === undefined || entries.length !== count) return Array.from({ length: count }, () => placed(status, location));
  return entries.map((entry) => {
    const response = isJsonObject(entry) && isJsonObject(entry['response']) ? entry['response'] : {};
    return placed(Number.parseInt(String(response['status']), 10), String(response['location'] ?? ''));
  });
}

function placed(status: number, location: string): ReadingAnswer {
  const [, id, version] = /Observation\/([^/]+)\/_history\/(\d+)$/.exec(location) ?? [];
  return { status, ...(id !== undefined && version !== undefined && { id, version: Number(version) }) };
}

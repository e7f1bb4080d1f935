/** One HTTP call of a gateway, with its lines in the history: what came back, or that nothing did. Judges nothing. */
import { request, type Agent } from 'node:http';
import { isJsonObject, parseExactJson } from '../../src/core/json.ts';
import type { CallLine, History, ReadingAnswer } from './history.ts';

export interface HttpAnswer {
  readonly status: number;
  readonly location: string;
  readonly etag: string;
  readonly retryAfter?: string;
  readonly body: string;
}

/** Longer than any answer of a service that is well; shorter than a gateway's patience. */
const TIMEOUT_MS = 8_000;

export interface HttpCall {
  readonly method: string;
  readonly body?: string;
  readonly headers?: Readonly<Record<string, string>>;
  readonly agent?: Agent;
  /** How long the connection may be silent. */
  readonly patienceMs?: number;
}

/** Rejects when no whole answer came. */
export function httpCall(url: string, { method, body, headers = {}, agent, patienceMs = TIMEOUT_MS }: HttpCall): Promise<HttpAnswer> {
  return new Promise((resolve, reject) => {
    const outgoing = request(url, { method, timeout: patienceMs, ...(agent && { agent }), headers: { ...headers } }, (response) => {
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

const FHIR_HEADERS = { 'Content-Type': 'application/fhir+json', Prefer: 'return=OperationOutcome' } as const;

/** The call with a line before and after it. Undefined when no whole answer came; never rejects. */
export async function recordedCall(
  history: History,
  url: string,
  line: Omit<CallLine, 'at' | 'n'>,
  { headers, ...rest }: Omit<HttpCall, 'method'>,
): Promise<HttpAnswer | undefined> {
  const n = history.nextCall();
  history.add({ at: 'call', n, ...line });
  try {
    const answer = await httpCall(url, { method: line.method, headers: { ...FHIR_HEADERS, ...headers }, ...rest });
    const { status, retryAfter, body } = answer;
    // what was asked for may name the person; answers to what was sent may not
    const said = line.method === 'GET' && status === 200 ? '' : body;
    const answers = readingAnswers(answer, line.readings.length);
    history.add({ at: 'answer', n, status, answers, body: said, hasRetryAfter: retryAfter !== undefined });
    return answer;
  } catch (error) {
    history.add({ at: 'silence', n, cause: error instanceof Error && 'code' in error ? String(error.code) : 'timeout' });
    return undefined;
  }
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

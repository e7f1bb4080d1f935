/** What becomes of an answer on its way back, on the real socket: cut, stretched, or not what it says it is. */
import type { ServerResponse } from 'node:http';
import { setTimeout as pause } from 'node:timers/promises';
import { exactNumber, isJsonObject, stringifyExact, type JsonObject } from '../../src/core/json.ts';
import type { SpoiltAnswer } from './faults.ts';
import { objectsIn } from './memory.ts';
import type { Answer } from './routes.ts';

const FHIR_JSON = 'application/fhir+json; charset=utf-8';

export function send(response: ServerResponse, status: number, headers: Readonly<Record<string, string>>, body: string): void {
  response.writeHead(status, { 'content-type': FHIR_JSON, ...headers });
  response.end(body);
}

export function reset(response: ServerResponse): void {
  response.socket?.resetAndDestroy();
}

/** Sends `answer`, or what is left of it. */
export function spoil(response: ServerResponse, answer: Answer, how: SpoiltAnswer): void {
  const { status, headers, body } = answer;
  const text = stringifyExact(body);
  const entries = [...objectsIn(body['entry'])];
  const sendEntries = (entry: JsonObject[]): void => send(response, status, headers, stringifyExact({ ...body, entry }));
  switch (how.spoil) {
    case 'reset':
      reset(response);
      break;
    case 'hang':
      break;
    case 'truncate':
      response.writeHead(status, { 'content-type': FHIR_JSON, 'content-length': String(Buffer.byteLength(text)) });
      response.write(text.slice(0, text.length / 2), () => response.socket?.destroy());
      break;
    case 'drip':
      void drip(response, answer, how.msPerByte);
      break;
    case 'wrong-length':
      writeRaw(response, status, text, Buffer.byteLength(text) + how.by);
      break;
    case 'reverse-entries':
      sendEntries(entries.toReversed());
      break;
    case 'drop-entry':
      sendEntries(entries.slice(1));
      break;
    case 'extra-entry':
      sendEntries([...entries, ...entries.slice(0, 1)]);
      break;
    case 'numeric-statuses':
      sendEntries(entries.map(withNumericStatus));
      break;
    case 'replace':
      send(response, how.status, how.headers ?? {}, how.body ?? '');
      break;
  }
}

async function drip(response: ServerResponse, { status, headers, body }: Answer, msPerByte: number): Promise<void> {
  response.writeHead(status, { 'content-type': FHIR_JSON, ...headers });
  for (const byte of Buffer.from(stringifyExact(body))) {
    if (response.destroyed) return;
    response.write(Buffer.of(byte));
    await pause(msPerByte, undefined, { ref: false });
  }
  response.end();
}

/** Past node's own server, which would not write a length that is not so. */
function writeRaw({ socket }: ServerResponse, status: number, text: string, length: number): void {
  socket?.end(`HTTP/1.1 ${status} OK\r\nContent-Type: ${FHIR_JSON}\r\nContent-Length: ${length}\r\nConnection: close\r\n\r\n${text}`);
}

function withNumericStatus(entry: JsonObject): JsonObject {
  const { response } = entry;
  if (!isJsonObject(response)) return entry;
  return { ...entry, response: { ...response, status: exactNumber(Number.parseInt(String(response['status']), 10)) } };
}

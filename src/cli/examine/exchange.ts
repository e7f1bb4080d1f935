/**
 * One call of the gateway and what it was answered, as the examiner noted it: all that is judged.
 */
import { createHash } from 'node:crypto';
import { isJsonObject, parseExactJson, type JsonObject } from '../../core/json.ts';
import type { FaultName } from './faults.ts';

export interface Exchange {
  readonly method: string;
  /** With its query. */
  readonly path: string;
  /** In lower case. */
  readonly headers: Readonly<Record<string, string | undefined>>;
  readonly body: Buffer;
  readonly arrivedMs: number;
  /** When the answer left, or the connection was cut. */
  readonly endedMs: number;
  /** Absent when the connection was cut before an answer. */
  readonly status?: number;
  /** What the examiner did to it; nothing when absent. */
  readonly fault?: FaultName;
  /** When the gateway may come again, as it was told. */
  readonly notBeforeMs?: number;
}

const decoder = new TextDecoder('utf-8', { fatal: true });

/** The body as JSON with its written digits; undefined when it is none, or no UTF-8. */
export function contentOf({ body }: Pick<Exchange, 'body'>): JsonObject | undefined {
  try {
    const parsed = parseExactJson(decoder.decode(body));
    return parsed.ok && isJsonObject(parsed.value) ? parsed.value : undefined;
  } catch {
    return undefined;
  }
}

/** The Observations that a call brings, alone or in a Bundle. */
export function observationsIn(exchange: Pick<Exchange, 'body'>): JsonObject[] {
  const content = contentOf(exchange);
  const entries = content?.['resourceType'] === 'Bundle' ? listOf(content['entry']).flatMap((entry) => entry['resource'] ?? []) : [content];
  return entries.filter(isJsonObject).filter(({ resourceType }) => resourceType === 'Observation');
}

/** True of a call that hands readings over: to Observation, or as a Bundle to the base. */
export function handsOver({ method, path }: Pick<Exchange, 'method' | 'path'>): boolean {
  const [place = ''] = path.split('?', 1);
  return method === 'POST' && /^\/(?:Observation)?$/.test(place);
}

/** `system|value` of each identifier that has both. */
export function identifiersOf(observation: JsonObject): string[] {
  return listOf(observation['identifier']).flatMap(({ system, value }) =>
    typeof system === 'string' && typeof value === 'string' ? [`${system}|${value}`] : [],
  );
}

/** By what a resend is known: the identifiers of its readings, else the body itself. */
export function keyOf(exchange: Pick<Exchange, 'body'>): string {
  const identifiers = observationsIn(exchange).flatMap(identifiersOf);
  return identifiers.length > 0 ? identifiers.join(' ') : digestOf(exchange);
}

export function digestOf({ body }: Pick<Exchange, 'body'>): string {
  return createHash('sha256').update(body).digest('hex');
}

export function listOf(value: unknown): JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}

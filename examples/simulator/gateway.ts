/**
 * The sending side: tells the service of people and scales, then sends reading after reading as
 * gateways do, each until it is answered. What the answers mean is read from the wire alone.
 */
import { setTimeout as pause } from 'node:timers/promises';
import { isJsonObject, parseExactJson, stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { OURS } from '../../src/core/terminology.ts';
import type { Reading, Registration, WardDay } from './ward-day.ts';

export type Verdict = 'accepted' | 'held' | 'refused' | 'resent' | 'corrected';

export interface Remark {
  readonly rule: string;
  readonly severity: string;
  /** What the rule did: refuse, hold, warn or inform. */
  readonly outcome: string;
  readonly sentence: string;
}

export interface Answered {
  readonly reading: Reading;
  readonly status: number;
  readonly verdict: Verdict;
  readonly remarks: readonly Remark[];
  /** The Observation id under which the service keeps it. */
  readonly storedAs?: string;
  /** True when verdict and deciding rules are the expected ones. */
  readonly isAsExpected: boolean;
}

/** The service could not be reached, or gave an answer that no gateway can go on from. */
export class GatewayStopped extends Error {
  override readonly name = 'GatewayStopped';
}

/** The service that is sent to. */
export interface Service {
  /** FHIR base, without a slash at its end. */
  readonly base: string;
  /** Gives a bearer token; asked for each call, and once more after a 401. None is sent when absent. */
  readonly token?: () => Promise<string>;
}

export interface SendingOptions extends Service {
  /** Pause between two readings. */
  readonly paceMs: number;
  readonly onAnswer?: (answered: Answered, sent: number) => void;
}

/** Sends the whole day in its order. Throws GatewayStopped, and whatever `token` throws. */
export async function sendWardDay(day: WardDay, { paceMs, onAnswer, ...service }: SendingOptions): Promise<readonly Answered[]> {
  for (const registration of day.registrations) await register(service, registration);
  const places = new Map<string, Place>();
  const answers: Answered[] = [];
  for (const reading of day.readings) {
    const answered = await sendReading(service, reading, places);
    answers.push(answered);
    onAnswer?.(answered, answers.length);
    if (paceMs > 0) await pause(paceMs);
  }
  return answers;
}

/** Where the service keeps a reading. */
interface Place {
  readonly id: string;
  readonly version: string;
}

async function register(service: Service, { path, body }: Registration): Promise<void> {
  const { status } = await call(service, 'PUT', path, body);
  if (status === 404) throw new GatewayStopped(`There is no FHIR base at ${service.base}; the service has its own below /fhir.`);
  if (status !== 200 && status !== 201) throw new GatewayStopped(`The service answered ${status} when it was told of ${path}.`);
}

async function sendReading(service: Service, reading: Reading, places: Map<string, Place>): Promise<Answered> {
  const place = reading.corrects === undefined ? undefined : places.get(reading.corrects);
  if (reading.corrects !== undefined && place === undefined)
    throw new GatewayStopped(`${reading.place}: the reading that is to be corrected was not stored.`);
  const response = place
    ? await call(service, 'PUT', `Observation/${place.id}`, { ...reading.body, id: place.id }, { 'If-Match': `W/"${place.version}"` })
    : await call(service, 'POST', 'Observation', reading.body);
  const stored = /\/Observation\/([^/]+)\/_history\/([^/]+)$/.exec(response.location);
  if (stored?.[1] !== undefined && stored[2] !== undefined) places.set(reading.key, { id: stored[1], version: stored[2] });
  const verdict = verdictOf(response.status, place !== undefined);
  if (verdict === undefined) throw new GatewayStopped(`The service answered ${response.status} to a reading of ${reading.place}.`);
  const remarks = remarksIn(response.body);
  return {
    reading,
    status: response.status,
    verdict,
    remarks,
    ...(stored?.[1] !== undefined && { storedAs: stored[1] }),
    isAsExpected: isExpected(reading, verdict, remarks),
  };
}

function verdictOf(status: number, isCorrection: boolean): Verdict | undefined {
  if (status === 200) return isCorrection ? 'corrected' : 'resent';
  if (status === 201) return 'accepted';
  if (status === 202) return 'held';
  return [400, 404, 409, 412, 422].includes(status) ? 'refused' : undefined;
}

function isExpected({ expected }: Reading, verdict: Verdict, remarks: readonly Remark[]): boolean {
  if (verdict !== expected.verdict) return false;
  const deciding = decidingRules(remarks);
  const because = 'because' in expected ? expected.because : [];
  return deciding.length === because.length && because.every((rule) => deciding.includes(rule));
}

/** The rules that refused or held, each once. */
export function decidingRules(remarks: readonly Remark[]): readonly string[] {
  return [...new Set(remarks.filter(({ outcome }) => outcome === 'refuse' || outcome === 'hold').map(({ rule }) => rule))];
}

function remarksIn(body: JsonObject | undefined): Remark[] {
  return objectsIn(body?.['issue']).map((issue) => {
    const details = isJsonObject(issue['details']) ? issue['details'] : {};
    const rule = objectsIn(details['coding']).find(({ system }) => system === OURS.ruleSystem)?.['code'];
    const outcome = objectsIn(issue['extension']).find(({ url }) => url === OURS.ruleOutcomeExtension)?.['valueCode'];
    return { rule: text(rule), outcome: text(outcome), severity: text(issue['severity']), sentence: text(issue['diagnostics']) };
  });
}

function objectsIn(value: unknown): JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}

function text(value: unknown): string {
  return typeof value === 'string' ? value : '';
}

interface Response {
  readonly status: number;
  readonly location: string;
  readonly body?: JsonObject;
}

/** A gateway keeps a reading until somebody has it: what is answered "not now" is sent again. */
const MOST_TRIES = 5;
const TIMEOUT_MS = 10_000;

const WANTS_TOKEN = 'The service asks for a bearer token (401). Give a file that holds one (--token-file).';
const TOKEN_REFUSED = 'The service does not take the token (401). Get a new one from the authorization server.';
const NOT_ALLOWED =
  'The token does not allow this (403). It needs system/Observation.cu, system/Patient.u and system/Device.u, and with a gateways file the invented scales or steelyard/operate.';

async function call(
  { base, token }: Service,
  method: 'POST' | 'PUT',
  path: string,
  content: JsonObject,
  headers: Readonly<Record<string, string>> = {},
): Promise<Response> {
  const standing = {
    'Content-Type': 'application/fhir+json',
    Accept: 'application/fhir+json',
    Prefer: 'return=OperationOutcome',
    ...headers,
  };
  const body = stringifyExact(content);
  let shown = await token?.();
  for (let tries = 1; ; tries += 1) {
    const response = await fetch(`${base}/${path}`, {
      method,
      headers: { ...standing, ...(shown !== undefined && { Authorization: `Bearer ${shown}` }) },
      body,
      signal: AbortSignal.timeout(TIMEOUT_MS),
    }).catch((cause: unknown) => {
      throw new GatewayStopped(`No answer from ${base}. Is the service running there?`, { cause });
    });
    const parsed = parseExactJson((await response.text()) || '{}');
    if (response.status === 401) {
      // it may have been renewed just now; the same one would be refused again
      const renewed = await token?.();
      if (renewed === shown || tries >= MOST_TRIES) throw new GatewayStopped(shown === undefined ? WANTS_TOKEN : TOKEN_REFUSED);
      shown = renewed;
      continue;
    }
    if (response.status === 403) throw new GatewayStopped(NOT_ALLOWED);
    if ((response.status === 503 || response.status === 429) && tries < MOST_TRIES) {
      await pause(1000 * Math.min(5, Number(response.headers.get('Retry-After') ?? 1)));
      continue;
    }
    const answer = parsed.ok && isJsonObject(parsed.value) ? { body: parsed.value } : {};
    return { status: response.status, location: response.headers.get('Location') ?? '', ...answer };
  }
}

/**
 * One call of a gateway, the same text again until somebody answers it with yes or no. That is safe:
 * what the service has already is a resend to it.
 */
import { setTimeout as pause } from 'node:timers/promises';
import { isJsonObject, parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { retryAfterMs } from '../../src/retry-after.ts';

/** The service could not be reached, or gave an answer that no gateway can go on from. */
export class GatewayStopped extends Error {
  override readonly name: string = 'GatewayStopped';
}

/** Nobody answered, however often it was sent. */
export class NoAnswer extends GatewayStopped {
  override readonly name = 'NoAnswer';
}

/** The service that is sent to. */
export interface Service {
  /** FHIR base, without a slash at its end. */
  readonly base: string;
  /** Gives a bearer token; asked for each call, and once more after a 401. None is sent when absent. */
  readonly token?: () => Promise<string>;
}

export interface Message {
  readonly method: 'POST' | 'PUT';
  /** Below the FHIR base; empty for a Bundle. */
  readonly path: string;
  /** FHIR JSON. */
  readonly text: string;
  readonly headers?: Readonly<Record<string, string>>;
}

/** How long a gateway goes on. */
export interface Patience {
  readonly mostTries: number;
  /** Longer than this is never waited, whatever is asked for. */
  readonly longestWaitMs: number;
  readonly timeoutMs: number;
  /** Statuses that mean "not now". */
  readonly notNow: readonly number[];
  /** Is it sent again when nobody answers? */
  readonly whenUnanswered: boolean;
  readonly onWait?: (why: string, waitMs: number) => void;
  readonly wait?: (waitMs: number) => Promise<unknown>;
}

export const GATEWAY_PATIENCE: Patience = {
  mostTries: 5,
  longestWaitMs: 5_000,
  timeoutMs: 10_000,
  notNow: [429, 503],
  whenUnanswered: false,
};

export interface Response {
  readonly status: number;
  readonly location: string;
  readonly body?: JsonObject;
  /** How often it was sent again. */
  readonly resends: number;
}

const WANTS_TOKEN = 'The service asks for a bearer token (401). Give a file that holds one (--token-file).';
const TOKEN_REFUSED = 'The service does not take the token (401). Get a new one from the authorization server.';
const NOT_ALLOWED =
  'The token does not allow this (403). It needs system/Observation.cu, system/Patient.u and system/Device.u, and with a gateways file the invented scales or steelyard/operate.';

const FIRST_WAIT_MS = 1_000;

/**
 * Gives up after so many tries: with the last answer, or with NoAnswer when there was none.
 * Throws GatewayStopped for a token that is asked for, not taken, or allows too little.
 */
export async function call({ base, token }: Service, message: Message, patience: Patience = GATEWAY_PATIENCE): Promise<Response> {
  const { mostTries, longestWaitMs, notNow, whenUnanswered, onWait, wait = pause } = patience;
  const address = message.path === '' ? base : `${base}/${message.path}`;
  let shown = await token?.();
  for (let tries = 1; ; tries += 1) {
    const rest = async (why: string, askedMs: number | undefined): Promise<void> => {
      const waitMs = Math.min(longestWaitMs, askedMs ?? FIRST_WAIT_MS * 2 ** Math.min(tries - 1, 10));
      onWait?.(why, waitMs);
      await wait(waitMs);
    };
    const answer = await sendOnce(address, message, { shown, timeoutMs: patience.timeoutMs });
    if ('cause' in answer) {
      if (!whenUnanswered || tries >= mostTries) throw new NoAnswer(`No answer from ${base}. Is the service running there?`, answer);
      await rest('no answer', undefined);
      continue;
    }
    const { status, retryAfter, text, location } = answer;
    if (status === 401) {
      // it may have been renewed just now; the same one would be refused again
      const renewed = await token?.();
      if (renewed === shown || tries >= mostTries) throw new GatewayStopped(shown === undefined ? WANTS_TOKEN : TOKEN_REFUSED);
      shown = renewed;
      continue;
    }
    if (status === 403) throw new GatewayStopped(NOT_ALLOWED);
    if (notNow.includes(status) && tries < mostTries) {
      await rest(`answer ${status}`, retryAfterMs(retryAfter, Date.now()));
      continue;
    }
    const parsed = parseExactJson(text || '{}');
    return { status, location, resends: tries - 1, ...(parsed.ok && isJsonObject(parsed.value) && { body: parsed.value }) };
  }
}

interface RawAnswer {
  readonly status: number;
  readonly text: string;
  readonly location: string;
  readonly retryAfter: string | undefined;
}

/** A connection that breaks while the answer is read is no answer either. */
async function sendOnce(
  address: string,
  { method, text, headers }: Message,
  { shown, timeoutMs }: { readonly shown: string | undefined; readonly timeoutMs: number },
): Promise<RawAnswer | { readonly cause: unknown }> {
  try {
    const response = await fetch(address, {
      method,
      headers: {
        'Content-Type': 'application/fhir+json',
        Accept: 'application/fhir+json',
        Prefer: 'return=OperationOutcome',
        ...headers,
        ...(shown !== undefined && { Authorization: `Bearer ${shown}` }),
      },
      body: text,
      // a token goes where it was meant to go, and nowhere else
      redirect: 'error',
      signal: AbortSignal.timeout(timeoutMs),
    });
    return {
      status: response.status,
      text: await response.text(),
      location: response.headers.get('Location') ?? '',
      retryAfter: response.headers.get('Retry-After') ?? undefined,
    };
  } catch (cause) {
    return { cause };
  }
}

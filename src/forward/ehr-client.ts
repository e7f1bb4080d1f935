/**
 * HTTP to the EHR: one Bundle out, one look-up out, and what came back as plain data.
 *
 * Judges nothing (that is `classify.ts`) and never throws for what an EHR does. Redirects are not
 * followed: the address is the operator's decision, and a body with patient data must not go
 * anywhere else. What comes back is read up to a limit and only as UTF-8.
 */
import { Agent } from 'undici';
import type { ForwardedType } from './identity.ts';

/** What came of one call. */
export type EhrReply =
  | {
      readonly kind: 'answer';
      readonly status: number;
      /** Absent when it broke off, was too long, or is not UTF-8. */
      readonly text?: string;
      readonly retryAfter?: string;
    }
  /** The request did not leave: no connection, no trust, no token. */
  | { readonly kind: 'unsent'; readonly cause: string }
  /** The EHR may have applied it. */
  | { readonly kind: 'unclear'; readonly cause: string };

/** The calls that forwarding makes. */
export interface Ehr {
  /** No call takes longer than this. */
  readonly timeoutMs: number;
  postBundle(text: string, requestId: string, stop?: AbortSignal): Promise<EhrReply>;
  /** `query` is percent-encoded, without the question mark, and holds no patient data. */
  search(type: ForwardedType, query: string, requestId: string, stop?: AbortSignal): Promise<EhrReply>;
  /** By POST, for what may name somebody: URLs are written into logs. `form` is percent-encoded. */
  searchByForm(type: ForwardedType, form: string, requestId: string, stop?: AbortSignal): Promise<EhrReply>;
  /** @param reference as in `Observation/123` */
  read(reference: string, requestId: string, stop?: AbortSignal): Promise<EhrReply>;
}

export interface EhrClientOptions {
  /** FHIR base of the EHR, `http` or `https`, with or without a slash at the end. */
  readonly baseUrl: string;
  readonly timeoutMs?: number;
  readonly longestAnswerBytes?: number;
  readonly connections?: number;
  /** The value of the `Authorization` header for the next call. */
  readonly authorization?: () => Promise<string | undefined>;
}

const FHIR_JSON = 'application/fhir+json';

/** Codes of a connection that was never made, so that nothing can have been applied. */
const UNSENT_CODES: ReadonlySet<string> = new Set([
  ...['ECONNREFUSED', 'ENOTFOUND', 'EAI_AGAIN', 'EHOSTUNREACH', 'ENETUNREACH', 'EADDRNOTAVAIL', 'UND_ERR_CONNECT_TIMEOUT'],
  ...['DEPTH_ZERO_SELF_SIGNED_CERT', 'SELF_SIGNED_CERT_IN_CHAIN', 'UNABLE_TO_VERIFY_LEAF_SIGNATURE', 'UNABLE_TO_GET_ISSUER_CERT_LOCALLY'],
  ...['CERT_HAS_EXPIRED', 'CERT_NOT_YET_VALID', 'ERR_TLS_CERT_ALTNAME_INVALID'],
]);

export class EhrClient implements Ehr {
  readonly timeoutMs: number;
  readonly #base: string;
  readonly #longestAnswerBytes: number;
  readonly #authorization: () => Promise<string | undefined>;
  readonly #agent: Agent;

  /** Throws TypeError when the base URL is not an http(s) URL or holds a password, query or fragment. */
  constructor({ baseUrl, timeoutMs = 10_000, longestAnswerBytes = 4_194_304, connections = 8, authorization }: EhrClientOptions) {
    const url = URL.canParse(baseUrl) ? new URL(baseUrl) : undefined;
    if (url === undefined || !/^https?:$/.test(url.protocol) || `${url.username}${url.password}${url.search}${url.hash}` !== '') {
      throw new TypeError('the EHR base must be an http or https URL without user, query or fragment');
    }
    this.#base = url.href.replace(/\/+$/, '');
    this.timeoutMs = timeoutMs;
    this.#longestAnswerBytes = longestAnswerBytes;
    this.#authorization = authorization ?? (() => Promise.resolve(undefined));
    this.#agent = new Agent({
      connections,
      pipelining: 1,
      connect: { timeout: timeoutMs },
      headersTimeout: timeoutMs,
      bodyTimeout: timeoutMs,
    });
  }

  postBundle(text: string, requestId: string, stop?: AbortSignal): Promise<EhrReply> {
    return this.#call(this.#base, requestId, stop, {
      method: 'POST',
      headers: { 'content-type': FHIR_JSON, prefer: 'return=minimal' },
      body: text,
    });
  }

  search(type: ForwardedType, query: string, requestId: string, stop?: AbortSignal): Promise<EhrReply> {
    return this.#call(`${this.#base}/${type}?${query}`, requestId, stop, { method: 'GET', headers: { 'cache-control': 'no-cache' } });
  }

  searchByForm(type: ForwardedType, form: string, requestId: string, stop?: AbortSignal): Promise<EhrReply> {
    return this.#call(`${this.#base}/${type}/_search`, requestId, stop, {
      method: 'POST',
      headers: { 'content-type': 'application/x-www-form-urlencoded', 'cache-control': 'no-cache' },
      body: form,
    });
  }

  read(reference: string, requestId: string, stop?: AbortSignal): Promise<EhrReply> {
    return this.#call(`${this.#base}/${reference}`, requestId, stop, { method: 'GET', headers: { 'cache-control': 'no-cache' } });
  }

  async close(): Promise<void> {
    await this.#agent.close();
  }

  async #call(
    url: string,
    requestId: string,
    stop: AbortSignal | undefined,
    init: { readonly method: string; readonly headers: Record<string, string>; readonly body?: string },
  ): Promise<EhrReply> {
    let authorization: string | undefined;
    try {
      authorization = await this.#authorization();
    } catch {
      return { kind: 'unsent', cause: 'no access token' };
    }
    const timeout = AbortSignal.timeout(this.timeoutMs);
    try {
      const response = await fetch(url, {
        ...init,
        headers: {
          ...init.headers,
          accept: FHIR_JSON,
          'x-request-id': requestId,
          ...(authorization === undefined ? {} : { authorization }),
        },
        redirect: 'manual',
        signal: stop === undefined ? timeout : AbortSignal.any([timeout, stop]),
        // the built-in fetch takes an Agent of the package; only their type declarations differ
        dispatcher: this.#agent as unknown as NonNullable<RequestInit['dispatcher']>,
      });
      const text = await readBounded(response, this.#longestAnswerBytes);
      const retryAfter = response.headers.get('retry-after');
      return {
        kind: 'answer',
        status: response.status,
        ...(text === undefined ? {} : { text }),
        ...(retryAfter === null ? {} : { retryAfter }),
      };
    } catch (error) {
      const cause = causeOf(error);
      return { kind: UNSENT_CODES.has(cause) ? 'unsent' : 'unclear', cause };
    }
  }
}

/** The body as text; undefined when it is longer than the limit, breaks off, or is not UTF-8. */
async function readBounded(response: Response, longestBytes: number): Promise<string | undefined> {
  if (response.body === null) return '';
  const decoder = new TextDecoder('utf-8', { fatal: true });
  let text = '';
  let bytes = 0;
  try {
    for await (const chunk of response.body as AsyncIterable<Uint8Array>) {
      bytes += chunk.byteLength;
      if (bytes > longestBytes) return undefined; // leaving the loop cancels the body
      text += decoder.decode(chunk, { stream: true });
    }
    return text + decoder.decode();
  } catch {
    return undefined;
  }
}

/** A short code of ours or Node's for what went wrong; never the message, which may quote a URL. */
function causeOf(error: unknown): string {
  const inner = error instanceof Error && error.cause instanceof Error ? error.cause : error;
  if (inner instanceof Error && 'code' in inner && typeof inner.code === 'string') return inner.code;
  return error instanceof Error ? error.name : 'unknown';
}

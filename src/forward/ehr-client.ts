/**
 * HTTP to the EHR: one Bundle out, one look-up out, and what came back as plain data.
 *
 * Judges nothing (that is `classify.ts`) and never throws for what an EHR does. Redirects are not
 * followed: the address is the operator's decision, and a body with patient data must not go
 * anywhere else. What comes back is read up to a limit and only as UTF-8.
 */
import type { Agent } from 'undici';
import { causeOf, readBounded, unlessAborted } from './answer-body.ts';
import { NO_AUTHORIZATION, NoAccessToken, type Authorization } from './authorization.ts';
import { createAgent, dispatcherOf } from './connections.ts';
import { NO_TRACER, type Tracer } from '../tracer.ts';
import type { ForwardedType } from './identity.ts';
import type { TlsFiles } from '../tls-files.ts';

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

/** The one call that asks about people. */
export interface PatientSearch {
  /** By POST, since a URL is written into logs: `form` is percent-encoded and names somebody. */
  searchPatients(form: string, requestId: string, stop?: AbortSignal): Promise<EhrReply>;
}

export interface EhrClientOptions {
  /** FHIR base of the EHR, `http` or `https`, with or without a slash at the end. */
  readonly baseUrl: string;
  readonly timeoutMs?: number;
  readonly longestAnswerBytes?: number;
  readonly connections?: number;
  /** Nobody is asked for a token when absent. */
  readonly authorization?: Authorization;
  /** Our certificate, and whom we trust in place of the system's authorities. */
  readonly tls?: TlsFiles;
  /** No call is traced when absent. */
  readonly tracer?: Tracer;
}

interface Call {
  readonly method: string;
  readonly headers: Record<string, string>;
  readonly body?: string;
}

const FHIR_JSON = 'application/fhir+json';

/** Codes of a connection that was never made, so that nothing can have been applied. */
const UNSENT_CODES: ReadonlySet<string> = new Set([
  ...['ECONNREFUSED', 'ENOTFOUND', 'EAI_AGAIN', 'EHOSTUNREACH', 'ENETUNREACH', 'EADDRNOTAVAIL', 'UND_ERR_CONNECT_TIMEOUT'],
  ...['DEPTH_ZERO_SELF_SIGNED_CERT', 'SELF_SIGNED_CERT_IN_CHAIN', 'UNABLE_TO_VERIFY_LEAF_SIGNATURE', 'UNABLE_TO_GET_ISSUER_CERT_LOCALLY'],
  ...['CERT_HAS_EXPIRED', 'CERT_NOT_YET_VALID', 'ERR_TLS_CERT_ALTNAME_INVALID', 'ERR_SSL_WRONG_VERSION_NUMBER'],
  ...['CERT_UNTRUSTED', 'CERT_REJECTED', 'CERT_REVOKED', 'CERT_SIGNATURE_FAILURE', 'INVALID_CA', 'INVALID_PURPOSE', 'HOSTNAME_MISMATCH'],
  // the other side ends the handshake: it takes no certificate of ours, or not this one, or no TLS that we speak
  ...['ERR_SSL_TLSV13_ALERT_CERTIFICATE_REQUIRED', 'ERR_SSL_SSLV3_ALERT_HANDSHAKE_FAILURE', 'ERR_SSL_TLSV1_ALERT_PROTOCOL_VERSION'],
  ...['ERR_SSL_TLSV1_ALERT_UNKNOWN_CA', 'ERR_SSL_SSLV3_ALERT_BAD_CERTIFICATE', 'ERR_SSL_SSLV3_ALERT_CERTIFICATE_EXPIRED'],
]);

export class EhrClient implements Ehr, PatientSearch {
  readonly timeoutMs: number;
  readonly #base: string;
  readonly #longestAnswerBytes: number;
  readonly #authorization: Authorization;
  readonly #agent: Agent;
  readonly #tracer: Tracer;

  /** Throws TypeError when the base URL is not an http(s) URL or holds a password, query or fragment. */
  constructor({
    baseUrl,
    timeoutMs = 10_000,
    longestAnswerBytes = 4_194_304,
    connections = 8,
    authorization,
    tls,
    tracer = NO_TRACER,
  }: EhrClientOptions) {
    const url = URL.canParse(baseUrl) ? new URL(baseUrl) : undefined;
    if (url === undefined || !/^https?:$/.test(url.protocol) || `${url.username}${url.password}${url.search}${url.hash}` !== '') {
      throw new TypeError('the EHR base must be an http or https URL without user, query or fragment');
    }
    this.#base = url.href.replace(/(?<!\/)\/+$/, '');
    this.timeoutMs = timeoutMs;
    this.#longestAnswerBytes = longestAnswerBytes;
    this.#tracer = tracer;
    this.#authorization = authorization ?? NO_AUTHORIZATION;
    this.#agent = createAgent({ timeoutMs, connections, ...(tls && { tls }) });
  }

  postBundle(text: string, requestId: string, stop?: AbortSignal): Promise<EhrReply> {
    return this.#traced('POST', '/', (traced) =>
      this.#call(this.#base, requestId, stop, {
        method: 'POST',
        headers: { 'content-type': FHIR_JSON, prefer: 'return=minimal', ...traced },
        body: text,
      }),
    );
  }

  searchPatients(form: string, requestId: string, stop?: AbortSignal): Promise<EhrReply> {
    return this.#traced('POST', '/Patient/_search', (traced) =>
      this.#call(`${this.#base}/Patient/_search`, requestId, stop, {
        method: 'POST',
        headers: { 'content-type': 'application/x-www-form-urlencoded', 'cache-control': 'no-cache', ...traced },
        body: form,
      }),
    );
  }

  search(type: ForwardedType, query: string, requestId: string, stop?: AbortSignal): Promise<EhrReply> {
    return this.#traced('GET', `/${type}`, (traced) =>
      this.#call(`${this.#base}/${type}?${query}`, requestId, stop, { method: 'GET', headers: { 'cache-control': 'no-cache', ...traced } }),
    );
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

  /** A call in a span of its own, of which the EHR is told. The query of a look-up is no part of it. */
  #traced(method: string, path: string, call: (headers: Readonly<Record<string, string>>) => Promise<EhrReply>): Promise<EhrReply> {
    const attributes = { 'http.request.method': method, 'server.address': new URL(this.#base).hostname };
    return this.#tracer.within({ name: `${method} EHR ${path}`, kind: 'client', attributes }, async (span) => {
      const reply = await call(span.traceParent === undefined ? {} : { traceparent: span.traceParent });
      if (reply.kind === 'answer') span.note({ 'http.response.status_code': reply.status });
      if (reply.kind !== 'answer') span.fail(reply.cause);
      else if (reply.status >= 400) span.fail(String(reply.status));
      return reply;
    });
  }

  /**
   * A call that is answered 401 was not processed: it is made once more with another token, all
   * within the same time. What `WWW-Authenticate` says is not looked at.
   */
  async #call(url: string, requestId: string, stop: AbortSignal | undefined, call: Call): Promise<EhrReply> {
    const timeout = AbortSignal.timeout(this.timeoutMs);
    const signal = stop === undefined ? timeout : AbortSignal.any([timeout, stop]);
    for (let isRepeat = false; ; isRepeat = true) {
      let authorization: string | undefined;
      try {
        authorization = await unlessAborted(this.#authorization.header(), signal);
      } catch (error) {
        return { kind: 'unsent', cause: error instanceof NoAccessToken ? `no access token: ${error.message}` : 'no access token' };
      }
      const reply = await this.#send(url, signal, {
        ...call,
        headers: { ...call.headers, 'x-request-id': requestId, ...(authorization === undefined ? {} : { authorization }) },
      });
      if (reply.kind !== 'answer' || reply.status !== 401 || authorization === undefined) return reply;
      this.#authorization.refused(authorization);
      if (isRepeat) return reply;
    }
  }

  async #send(url: string, signal: AbortSignal, { headers, ...init }: Call): Promise<EhrReply> {
    try {
      const response = await fetch(url, {
        ...init,
        headers: { ...headers, accept: FHIR_JSON },
        redirect: 'manual',
        signal,
        dispatcher: dispatcherOf(this.#agent),
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

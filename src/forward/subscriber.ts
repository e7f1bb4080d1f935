/**
 * HTTP to a subscriber: one notification out, and whether it was taken. Redirects are not followed:
 * which addresses are called is the operator's list, and readings must not go anywhere else. Of the
 * answer nothing but its status counts, so that its body is not read.
 */
import type { Agent } from 'undici';
import { causeOf } from './answer-body.ts';
import { createAgent, dispatcherOf } from './connections.ts';

export type NotificationReply =
  | { readonly isTaken: true }
  | {
      readonly isTaken: false;
      /** Goes on after "the endpoint …"; no patient data, nothing that the subscriber wrote. */
      readonly reason: string;
      readonly status?: number;
      readonly retryAfter?: string;
    };

export interface Subscribers {
  /** No call takes longer than this. */
  readonly timeoutMs: number;
  notify(endpoint: string, text: string, requestId: string, stop?: AbortSignal): Promise<NotificationReply>;
}

export class SubscriberClient implements Subscribers {
  readonly timeoutMs: number;
  readonly #agent: Agent;

  constructor({ timeoutMs = 10_000, connections = 4 } = {}) {
    this.timeoutMs = timeoutMs;
    this.#agent = createAgent({ timeoutMs, connections });
  }

  async notify(endpoint: string, text: string, requestId: string, stop?: AbortSignal): Promise<NotificationReply> {
    const timeout = AbortSignal.timeout(this.timeoutMs);
    try {
      const response = await fetch(endpoint, {
        method: 'POST',
        headers: { 'content-type': 'application/fhir+json', accept: 'application/fhir+json', 'x-request-id': requestId },
        body: text,
        redirect: 'manual',
        signal: stop === undefined ? timeout : AbortSignal.any([timeout, stop]),
        dispatcher: dispatcherOf(this.#agent),
      });
      await response.body?.cancel();
      return replyOf(response);
    } catch (error) {
      const reason = timeout.aborted ? `does not answer within ${this.timeoutMs / 1000} s` : `cannot be reached (${causeOf(error)})`;
      return { isTaken: false, reason };
    }
  }

  async close(): Promise<void> {
    await this.#agent.destroy();
  }
}

function replyOf({ status, ok, headers }: Response): NotificationReply {
  if (ok) return { isTaken: true };
  const retryAfter = headers.get('retry-after');
  const isRedirect = status >= 300 && status < 400;
  return {
    isTaken: false,
    status,
    reason: isRedirect ? `redirects, which is never followed (status ${status})` : `answers with status ${status}`,
    ...(retryAfter !== null && { retryAfter }),
  };
}

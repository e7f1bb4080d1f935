/**
 * One request to the token endpoint: a signed assertion out, a token or a reason back.
 *
 * RFC 6749 section 4.4.2 with RFC 7523 section 2.2; SMART App Launch 2.2, "Backend Services".
 */
import type { Agent } from 'undici';
import type { Clock } from '../ports.ts';
import { causeOf, readBounded } from './answer-body.ts';
import { signAssertion } from './client-assertion.ts';
import { dispatcherOf } from './connections.ts';
import type { SigningKey } from './signing-key.ts';
import { readTokenAnswer, type TokenAnswer } from './token-answer.ts';

export interface TokenEndpoint {
  readonly url: string;
  readonly clientId: string;
  readonly scope: string;
  readonly agent: Agent;
  readonly timeoutMs: number;
  readonly clock: Clock;
}

export interface Asked {
  readonly answer: TokenAnswer;
  /** Ours minus theirs, in milliseconds; absent when the answer bore no `Date`. Right to about two seconds. */
  readonly clockAheadMs?: number;
}

/** A token answer holds a few hundred bytes; this is room for very long tokens. */
const LONGEST_ANSWER_BYTES = 65_536;

const ASSERTION_TYPE = 'urn:ietf:params:oauth:client-assertion-type:jwt-bearer';

/** Never throws for what the endpoint does. Redirects are not followed: the assertion is for this address alone. */
export async function askForToken(key: SigningKey, endpoint: TokenEndpoint): Promise<Asked> {
  const { url, clientId, scope, agent, timeoutMs, clock } = endpoint;
  const assertion = await signAssertion(key, { clientId, tokenUrl: url, nowMs: clock.nowMs() });
  try {
    const response = await fetch(url, {
      method: 'POST',
      headers: { accept: 'application/json', 'cache-control': 'no-store' },
      body: new URLSearchParams({
        grant_type: 'client_credentials',
        scope,
        client_assertion_type: ASSERTION_TYPE,
        client_assertion: assertion,
      }),
      redirect: 'manual',
      signal: AbortSignal.timeout(timeoutMs),
      dispatcher: dispatcherOf(agent),
    });
    const text = await readBounded(response, LONGEST_ANSWER_BYTES);
    const theirMs = Date.parse(response.headers.get('date') ?? '');
    return {
      answer: readTokenAnswer(response.status, text, response.headers.get('retry-after') ?? undefined),
      ...(!Number.isNaN(theirMs) && { clockAheadMs: clock.nowMs() - theirMs }),
    };
  } catch (error) {
    const cause = causeOf(error);
    const says = cause === 'TimeoutError' ? 'gave no answer in time' : `was not reached (${cause})`;
    return { answer: { ok: false, cause: `the token endpoint ${says}` } };
  }
}

/**
 * Access tokens for the EHR, by SMART Backend Services: asked for when one is needed, shared by
 * all calls, and renewed a little before it expires.
 *
 * One request is under way at a time. After a failure the endpoint is left alone for a moment, or
 * for as long as it asks. No token or assertion leaves this file but in a header's value.
 */
import type { Clock } from '../ports.ts';
import { retryAfterMs } from '../retry-after.ts';
import { NoAccessToken, type Authorization } from './authorization.ts';
import { createAgent } from './connections.ts';
import type { ConnectionLog } from './connection-log.ts';
import { missingScopes } from './granted-scope.ts';
import type { KeyFile } from './key-file.ts';
import type { TlsFiles } from '../tls-files.ts';
import type { AccessToken, NoToken } from './token-answer.ts';
import { askForToken, type TokenEndpoint } from './token-request.ts';

export interface TokenClientOptions {
  /** `https`, or `http` on loopback. */
  readonly tokenUrl: string;
  readonly clientId: string;
  /** Scopes with spaces between them. */
  readonly scope: string;
  readonly keys: KeyFile;
  readonly clock: Clock;
  readonly log: ConnectionLog;
  readonly timeoutMs?: number;
  readonly tls?: TlsFiles;
}

/** A token is renewed this long before it expires, so that none expires on its way; a short-lived one after two thirds of its life. */
const EARLIEST_RENEWAL_MS = 30_000;

/** How long a failure is the answer to all who ask. Common practice, no source. */
const REST_AFTER_FAILURE_MS = 1_000;

/** A wrong `Retry-After` must not keep readings here for long. */
const LONGEST_REST_MS = 300_000;

/** From here on a clock that is wrong is named as the likely cause, and warned of when all goes well. */
const NOTABLE_CLOCK_DIFFERENCE_MS = 60_000;

interface Held {
  readonly header: string;
  readonly renewAtMs: number;
  readonly expiresAtMs: number;
}

interface Failure {
  /** Without the figures of the clocks, which change all the time. */
  readonly cause: string;
  readonly words: string;
  readonly untilMs: number;
}

export class TokenClient implements Authorization {
  readonly #options: TokenClientOptions;
  readonly #endpoint: TokenEndpoint;
  #held: Held | undefined;
  #failure: Failure | undefined;
  #underWay: Promise<string> | undefined;
  #clockAheadMs: number | undefined;
  #isClockWarned = false;
  #isClosed = false;
  #missing = '';

  constructor(options: TokenClientOptions) {
    const { tokenUrl: url, clientId, scope, clock, timeoutMs = 10_000, tls } = options;
    this.#options = options;
    const agent = createAgent({ timeoutMs, connections: 1, ...(tls && { tls }) });
    this.#endpoint = { url, clientId, scope, clock, timeoutMs, agent };
  }

  /** By how much our clock was ahead of the token endpoint's when it last answered (below nought: behind); undefined when it never said. */
  get clockAheadMs(): number | undefined {
    return this.#clockAheadMs;
  }

  /** `Bearer …`. Throws NoAccessToken with the cause. */
  async header(): Promise<string> {
    const nowMs = this.#options.clock.nowMs();
    if (this.#held !== undefined && nowMs < this.#held.renewAtMs) return this.#held.header;
    try {
      return await this.#renewed(nowMs);
    } catch (error) {
      // the endpoint may be down for a moment while the token that we have is still good
      if (this.#held !== undefined && nowMs < this.#held.expiresAtMs) return this.#held.header;
      throw error;
    }
  }

  refused(header: string): void {
    // calls that were under way together are all refused; only the first of them is news
    if (this.#held?.header === header) this.#held = undefined;
  }

  /** Cuts off a request that is under way: a stop must not wait for a slow endpoint. */
  async close(): Promise<void> {
    this.#isClosed = true;
    await this.#endpoint.agent.destroy();
  }

  #renewed(nowMs: number): Promise<string> {
    if (this.#underWay !== undefined) return this.#underWay;
    if (this.#failure !== undefined && nowMs < this.#failure.untilMs) return Promise.reject(new NoAccessToken(this.#failure.words));
    this.#underWay = this.#renew(nowMs).finally(() => (this.#underWay = undefined));
    return this.#underWay;
  }

  async #renew(nowMs: number): Promise<string> {
    const { answer, clockAheadMs } = await askForToken(await this.#options.keys.newest(), this.#endpoint);
    this.#clockAheadMs = clockAheadMs ?? this.#clockAheadMs;
    if (!answer.ok) return this.#fail(answer, clockWords(clockAheadMs));
    const { token } = answer;
    const lifeMs = token.lifeSeconds * 1_000;
    const expiresAtMs = nowMs + lifeMs;
    this.#held = { header: `Bearer ${token.token}`, expiresAtMs, renewAtMs: expiresAtMs - Math.min(EARLIEST_RENEWAL_MS, lifeMs / 3) };
    if (this.#failure !== undefined) this.#options.log.info({}, 'the EHR grants access tokens again');
    this.#failure = undefined;
    this.#warnOfScope(token);
    this.#warnOfClock(clockAheadMs);
    return this.#held.header;
  }

  #fail({ cause, status, retryAfter }: NoToken, clocks: string): never {
    const nowMs = this.#options.clock.nowMs();
    const restMs = Math.min(LONGEST_REST_MS, Math.max(REST_AFTER_FAILURE_MS, retryAfterMs(retryAfter, nowMs) ?? 0));
    const words = cause + clocks;
    if (this.#failure?.cause !== cause && !this.#isClosed)
      this.#options.log.error(status === undefined ? {} : { status }, `no access token: ${words}`);
    this.#failure = { cause, words, untilMs: nowMs + restMs };
    throw new NoAccessToken(words);
  }

  #warnOfScope({ scope }: AccessToken): void {
    const missing = missingScopes(this.#options.scope, scope).join(' ');
    if (missing !== '' && missing !== this.#missing)
      this.#options.log.warn({}, `the EHR grants less than was asked: ${missing} is missing`);
    this.#missing = missing;
  }

  #warnOfClock(clockAheadMs: number | undefined): void {
    const words = clockWords(clockAheadMs);
    if (words !== '' && !this.#isClockWarned) this.#options.log.warn({}, `a token was granted${words}`);
    this.#isClockWarned = words !== '';
  }
}

/** An assertion that is expired or not yet valid by the other clock is refused, mostly without saying why. */
function clockWords(aheadMs: number | undefined): string {
  if (aheadMs === undefined || Math.abs(aheadMs) <= NOTABLE_CLOCK_DIFFERENCE_MS) return '';
  const seconds = Math.round(Math.abs(aheadMs) / 1_000);
  return `; our clock is ${seconds} s ${aheadMs > 0 ? 'ahead of' : 'behind'} that of the token endpoint`;
}

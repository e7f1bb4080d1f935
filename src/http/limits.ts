/**
 * How much of the service anybody may have: one table, so that a test or a site can look at it as
 * a whole. Limits of the HTTP server itself stand in `server.ts`, of first lines in `gate.ts`.
 */
import { getHeapStatistics } from 'node:v8';

export interface Limits {
  /** Requests that one client may make in a minute (`STEELYARD_RATE_LIMIT`). */
  readonly requestsPerMinute: number;
  /** A limit of a client's own, by its `client_id`; undefined for those that have none. */
  readonly limitOf?: (client: string) => number | undefined;
  /** Answers 401 in a minute to one credential from one address; then it is not looked at any more. */
  readonly failedLoginsPerCredential: number;
  /** Answers 401 in a minute to one address; then whoever fails there is answered 429, and whoever does not is served. */
  readonly failedLoginsPerAddress: number;
  /** Requests whose bodies are here and that have no answer yet. */
  readonly mostAtWork: number;
  /** The same of one client that showed a token; more of it wait in a lane of their own. */
  readonly mostAtWorkPerClient: number;
  readonly mostWaitingPerClient: number;
  /** Bytes of request bodies, inflated, that are held at one time. One body is taken however large it is. */
  readonly mostBodyBytes: number;
  /** Units of work that wait for the store, above which nothing that writes is taken in. */
  readonly mostWaitingWrites: number;
  /** Mean delay of the event loop over a second. */
  readonly longestLoopDelayMs: number;
  /** Share of the heap limit that is still in use after a full collection. */
  readonly fullestHeap: number;
}

/** Where no source is named: common practice, no source. */
export const DEFAULT_LIMITS: Limits = Object.freeze({
  // the default of STEELYARD_RATE_LIMIT: 100 a second, three times the worst burst of a fleet that comes back after an outage
  requestsPerMinute: 6_000,
  // a gateway with an expired token tries a few times before it fetches another
  failedLoginsPerCredential: 20,
  // the gateways of a hospital share one address, so that this is no limit for one of them
  failedLoginsPerAddress: 600,
  // at about a millisecond each the last of them waits a fifth of a second
  mostAtWork: 200,
  // what one client can put before everybody else: eight judgements, some milliseconds
  mostAtWorkPerClient: 8,
  mostWaitingPerClient: 64,
  // measured: while a Bundle is judged, memory holds about ten times its text
  mostBodyBytes: Math.floor(getHeapStatistics().heap_size_limit / 64),
  // one batch Bundle of the largest size; the store itself holds five times that
  mostWaitingWrites: 1_000,
  // a service that answers a health check later than this is taken for dead by some orchestrators
  longestLoopDelayMs: 250,
  fullestHeap: 0.8,
});

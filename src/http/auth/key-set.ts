/**
 * The keys that tokens are checked with: kept while they are fresh, read again when a token names
 * one that is not there, and used on for a while when nobody can be asked.
 *
 * `jose` has a key set that fetches on its own; it forgets its keys as soon as they are stale and
 * the server is down, asks again for every unknown key id while fetching fails, and takes an
 * answer of any size. Choosing the key (one by `kid`, of the kind that the algorithm needs, public)
 * is left to its local key set.
 */
import { createLocalJWKSet, errors, type CryptoKey, type JSONWebKeySet } from 'jose';
import { parseExactJson } from '../../core/json.ts';
import type { Clock } from '../../ports.ts';
import { UnusableKeys, type KeySource } from './key-sources.ts';

/** How long keys serve that could not be read again; then tokens are no longer taken. Local rule, no source. */
export const LONGEST_WITHOUT_SOURCE_MS = 24 * 60 * 60 * 1000;

/** With no key at all nobody can come in, so the source is asked again sooner than otherwise. */
const PAUSE_WITHOUT_KEYS_MS = 5_000;

const MOST_KEYS = 100;

/** No key can be had: not the fault of a token. */
export class KeysUnavailable extends Error {
  constructor(cause: unknown) {
    super('no keys to check tokens with', { cause });
    this.name = 'KeysUnavailable';
  }
}

/** What came of asking the source, when that is another thing than the last time. */
export type KeySetEvent = { readonly kind: 'loaded'; readonly keys: number } | { readonly kind: 'failed'; readonly error: unknown };

interface Kept {
  readonly text: string;
  readonly find: ReturnType<typeof createLocalJWKSet>;
  readonly readAtMs: number;
  readonly freshForMs: number;
}

export class KeySet {
  readonly #source: KeySource;
  readonly #clock: Clock;
  readonly #report: (event: KeySetEvent) => void;
  #kept: Kept | undefined;
  #triedAtMs: number | undefined;
  #failure: unknown;
  #pending: Promise<void> | undefined;

  constructor(source: KeySource, clock: Clock, report: (event: KeySetEvent) => void = () => undefined) {
    this.#source = source;
    this.#clock = clock;
    this.#report = report;
  }

  /**
   * The one key for a token's header.
   *
   * @throws KeysUnavailable; errors of `jose` when no key fits, or several
   */
  async keyFor(header: { readonly alg: string; readonly kid?: string }): Promise<CryptoKey> {
    if (!this.#isFresh()) {
      const renewal = this.#renew();
      // who can be served from what is kept does not wait for a source that was down the last time
      if (this.#usable === undefined || this.#failure === undefined) await renewal;
    }
    try {
      return await this.#find(header);
    } catch (error) {
      if (!(error instanceof errors.JWKSNoMatchingKey)) throw error;
      await this.#renew();
      return this.#find(header);
    }
  }

  /** Reads the keys before anybody needs them. @throws whatever the source throws, or an Error for what is no key set */
  async load(): Promise<void> {
    await this.#renew();
    if (this.#kept === undefined) throw this.#failure;
  }

  async #find(header: { readonly alg: string; readonly kid?: string }): Promise<CryptoKey> {
    if (this.#usable === undefined) throw new KeysUnavailable(this.#failure);
    return this.#usable.find(header);
  }

  /** Undefined when there are no keys, or none that may be relied on any longer. */
  get #usable(): Kept | undefined {
    const isTooOld = this.#kept !== undefined && this.#clock.nowMs() - this.#kept.readAtMs > LONGEST_WITHOUT_SOURCE_MS;
    return isTooOld ? undefined : this.#kept;
  }

  #isFresh(): boolean {
    return this.#kept !== undefined && this.#since(this.#kept.readAtMs) < this.#kept.freshForMs;
  }

  /** A clock that was set back must not stop the asking. */
  #since(instantMs: number): number {
    const passed = this.#clock.nowMs() - instantMs;
    return passed < 0 ? Infinity : passed;
  }

  /** Asks the source, unless it was asked just now; never fails. */
  async #renew(): Promise<void> {
    if (this.#pending === undefined) {
      const pauseMs = this.#usable === undefined ? Math.min(PAUSE_WITHOUT_KEYS_MS, this.#source.pauseMs) : this.#source.pauseMs;
      if (this.#triedAtMs !== undefined && this.#since(this.#triedAtMs) < pauseMs) return;
      this.#triedAtMs = this.#clock.nowMs();
      this.#pending = this.#read().finally(() => (this.#pending = undefined));
    }
    await this.#pending;
  }

  async #read(): Promise<void> {
    try {
      const { text, freshForMs } = await this.#source.read();
      const isNew = this.#kept?.text !== text;
      const { find, keys } = isNew || this.#kept === undefined ? parseKeySet(text) : { find: this.#kept.find, keys: 0 };
      this.#kept = { text, find, readAtMs: this.#clock.nowMs(), freshForMs };
      if (isNew || this.#failure !== undefined) this.#report({ kind: 'loaded', keys: isNew ? keys : (find.jwks()?.keys.length ?? 0) });
      this.#failure = undefined;
    } catch (error) {
      if (this.#failure === undefined) this.#report({ kind: 'failed', error });
      this.#failure = error;
    }
  }
}

function parseKeySet(text: string): { readonly find: ReturnType<typeof createLocalJWKSet>; readonly keys: number } {
  const find = finderIn(text);
  const keys = find.jwks()?.keys.length ?? 0;
  if (keys === 0 || keys > MOST_KEYS) throw new UnusableKeys(`holds ${keys} keys, where 1 to ${MOST_KEYS} are taken`);
  return { find, keys };
}

function finderIn(text: string): ReturnType<typeof createLocalJWKSet> {
  try {
    // keys are no FHIR resource: none of their members is a number
    // eslint-disable-next-line no-restricted-syntax
    return createLocalJWKSet(JSON.parse(text) as JSONWebKeySet);
  } catch (cause) {
    const parsed = parseExactJson(text);
    const { reason, line, column } = parsed.ok ? {} : parsed.problem;
    const problem = parsed.ok
      ? 'holds no JWK set, an object with a list of "keys"'
      : `is not acceptable JSON: ${reason}, line ${line}, column ${column}`;
    throw new UnusableKeys(problem, { cause });
  }
}

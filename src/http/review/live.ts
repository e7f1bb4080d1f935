/**
 * Server-sent events (WHATWG HTML, "Server-sent events"): whoever looks at the worklist hears within
 * a second or two that it changed, and then asks for it. An event tells only that: no patient data
 * goes over the stream.
 *
 * The store is asked, and not only this process: another replica may have taken the reading in.
 */
import type { StoreReader } from '../../ports.ts';
import { ServiceError } from '../../errors.ts';
import { restsFromNowOn } from '../load-shedding.ts';
import type { Handler, Response, Serving } from '../serving.ts';
import { foundSession } from '../sign-in/identify-visitor.ts';

interface LiveParts {
  readonly store: { readonly read: Pick<StoreReader, 'heldMark'> };
  readonly isStopping: () => boolean;
  readonly signIn?: Pick<NonNullable<Serving['signIn']>, 'sessions'>;
}

interface Stream {
  last: string | undefined;
  /** Whose session it belongs to; absent where nobody signs in. */
  readonly sessionId?: string;
  looks: number;
}

/** Held readings are to be seen within two seconds. */
const LOOK_EVERY_MS = 1_000;
/** Whoever signs out, or is signed out, hears nothing after so many looks. */
const LOOKS_BETWEEN_CHECKS = 5;
/** Before a server cuts a long answer off (`LONGEST_EXCHANGE_MS`), and proxies an idle one. */
const STREAM_LASTS_MS = 50_000;
/** A browser that lost its stream asks again after so long. */
const RETRY_MS = 1_000;
/** More pages than a hospital has open at one time; the others ask every few seconds instead. */
const MOST_STREAMS = 500;

export class LiveWorklist {
  readonly #parts: LiveParts;
  readonly #streams = new Map<Response, Stream>();
  #timer: NodeJS.Timeout | undefined;
  #isLooking = false;

  constructor(parts: LiveParts) {
    this.#parts = parts;
  }

  readonly handle: Handler = (_req, res) => {
    if (this.#streams.size >= MOST_STREAMS)
      throw new ServiceError('ERR_BUSY', 'Too many pages listen already. Ask every few seconds instead.');
    res.status(200).set({ 'Content-Type': 'text/event-stream; charset=utf-8', 'Cache-Control': 'no-store', 'X-Accel-Buffering': 'no' });
    res.flushHeaders();
    restsFromNowOn(res);
    res.write(`retry: ${RETRY_MS}\n\n`);
    const ends = setTimeout(() => res.end(), STREAM_LASTS_MS);
    const found = foundSession(res);
    this.#streams.set(res, { last: undefined, looks: 0, ...(found && 'id' in found && { sessionId: found.id }) });
    res.once('close', () => {
      clearTimeout(ends);
      this.#streams.delete(res);
      if (this.#streams.size === 0) this.#rest();
    });
    this.#timer ??= setInterval(() => void this.#look(), LOOK_EVERY_MS);
    void this.#look();
  };

  async #look(): Promise<void> {
    if (this.#parts.isStopping()) {
      for (const res of this.#streams.keys()) res.end();
      return;
    }
    if (this.#isLooking) return;
    this.#isLooking = true;
    try {
      const mark = await this.#parts.store.read.heldMark();
      for (const [res, stream] of this.#streams) {
        // a page may have been made before the stream began, so each is told the first mark too
        if (stream.last !== mark) res.write(`event: worklist\ndata: ${mark}\n\n`);
        stream.last = mark;
      }
      await this.#endWithSessions();
    } catch {
      // a store that is out of order is told elsewhere; the pages hear of it when it is back
    } finally {
      this.#isLooking = false;
    }
  }

  async #endWithSessions(): Promise<void> {
    const { signIn } = this.#parts;
    for (const [res, stream] of this.#streams) {
      stream.looks += 1;
      if (signIn === undefined || stream.looks % LOOKS_BETWEEN_CHECKS !== 0) continue;
      const session = stream.sessionId === undefined ? undefined : await signIn.sessions.find(stream.sessionId, { isUse: false });
      if (session === undefined) res.end();
    }
  }

  #rest(): void {
    clearInterval(this.#timer);
    this.#timer = undefined;
  }
}

/**
 * Refuses early what could not be served in good time, with 503 and `Retry-After`, so that what
 * was taken in is answered and the process neither starves nor runs out of memory.
 *
 * A request passes twice: by its first lines, before anything costs something; and once its body
 * is here, when it begins to be worked on. Slow senders in between take a connection and the room
 * for their body, but nobody's place.
 */
import { ServiceError } from '../errors.ts';
import type { Metrics } from '../metrics.ts';
import type { Store } from '../ports.ts';
import type { Limits } from './limits.ts';
import type { ProcessPressure } from './process-pressure.ts';
import type { Request, RequestHandler, Response } from './serving.ts';

/** Why a request was not taken in; a label of the metrics. */
export type ShedReason = 'stopping' | 'at-work' | 'bodies' | 'store' | 'event-loop' | 'heap';

type LoadLimits = Pick<Limits, 'mostAtWork' | 'mostBodyBytes' | 'mostWaitingWrites' | 'longestLoopDelayMs' | 'fullestHeap'>;

export interface LoadParts {
  readonly limits: LoadLimits;
  readonly store: Pick<Store, 'waitingUnits'>;
  readonly metrics: Pick<Metrics, 'shed'>;
  readonly isStopping: () => boolean;
  /** Nothing is known of the process when absent. */
  readonly pressure?: Pick<ProcessPressure, 'loopDelayMs' | 'heapShare'>;
}

const BUSY = 'There is more to do than can be done in good time. Nothing of this was stored; send it again.';
const STOPPING = 'The service is being stopped. Nothing of this was stored; send it again.';

const READING_METHODS = new Set(['GET', 'HEAD']);

/** What one request takes up while it is served. */
interface Place {
  isAtWork: boolean;
  bytes: number;
}

export class LoadGate {
  readonly #parts: LoadParts;
  #atWork = 0;
  #bytes = 0;
  readonly #places = new WeakMap<Response, Place>();

  constructor(parts: LoadParts) {
    this.#parts = parts;
  }

  /** Requests that are worked on now. */
  get atWork(): number {
    return this.#atWork;
  }

  /** Before anything else is done. @throws ServiceError ERR_BUSY */
  admit(req: Request, res: Response): void {
    const reason = this.#reasonAgainst(req);
    if (reason !== undefined) this.#refuse(reason);
    GATES.set(res, this);
    this.#places.set(res, { isAtWork: false, bytes: 0 });
    res.once('close', () => this.#leave(res));
  }

  /** Before a body is read, or once its real size is known. @throws ServiceError ERR_BUSY */
  makeRoom(res: Response, bytes: number): void {
    const place = this.#places.get(res);
    if (place === undefined) return;
    const others = this.#bytes - place.bytes;
    // one body alone is always taken: its size is limited elsewhere
    if (others > 0 && others + bytes > this.#parts.limits.mostBodyBytes) this.#refuse('bodies');
    this.#bytes = others + bytes;
    place.bytes = bytes;
  }

  /** Once all of a request is here. @throws ServiceError ERR_BUSY */
  begin(res: Response): void {
    const place = this.#places.get(res);
    if (place === undefined || place.isAtWork) return;
    if (this.#atWork >= this.#parts.limits.mostAtWork) this.#refuse('at-work');
    this.#atWork += 1;
    place.isAtWork = true;
  }

  /** An answer that only waits for something to tell takes nobody's place. */
  rest(res: Response): void {
    const place = this.#places.get(res);
    if (place?.isAtWork !== true) return;
    this.#atWork -= 1;
    place.isAtWork = false;
  }

  #leave(res: Response): void {
    const place = this.#places.get(res);
    // what still runs for a caller who went away finds no place any more
    this.#places.delete(res);
    if (place?.isAtWork === true) this.#atWork -= 1;
    this.#bytes -= place?.bytes ?? 0;
  }

  #reasonAgainst({ method }: Request): ShedReason | undefined {
    const { limits, store, isStopping, pressure } = this.#parts;
    if (isStopping()) return 'stopping';
    if (this.#atWork >= limits.mostAtWork) return 'at-work';
    if (!READING_METHODS.has(method) && (store.waitingUnits() ?? 0) >= limits.mostWaitingWrites) return 'store';
    if (pressure && pressure.loopDelayMs() > limits.longestLoopDelayMs) return 'event-loop';
    if (pressure && pressure.heapShare() > limits.fullestHeap) return 'heap';
    return undefined;
  }

  #refuse(reason: ShedReason): never {
    this.#parts.metrics.shed(reason);
    throw new ServiceError('ERR_BUSY', reason === 'stopping' ? STOPPING : BUSY);
  }
}

/** No deflated byte gives more than this (zlib documentation, "Maximum Compression Factor": 1032:1). */
const LARGEST_INFLATION = 1032;

const GATES = new WeakMap<Response, LoadGate>();

/** Behind operations, which are never shed, and before everything that costs something. */
export function shedLoad(gate: LoadGate): RequestHandler {
  return (req, res, next) => {
    gate.admit(req, res);
    next();
  };
}

/** Before an answer that stays open without being worked on. */
export function restsFromNowOn(res: Response): void {
  GATES.get(res)?.rest(res);
}

/** Behind whatever keeps a request waiting: one without a body is all here, and begins to be worked on. */
export const beginWithoutBody: RequestHandler = (req, res, next) => {
  if (!hasBody(req)) GATES.get(res)?.begin(res);
  next();
};

/** Before a body is read. @param largest bytes that it may have once it is inflated */
export function makeRoomForBody(largest: number): RequestHandler {
  return (req, res, next) => {
    const { 'content-length': declared, 'content-encoding': coding } = req.headers;
    // what is sent in chunks says nothing of its length
    const most = declared === undefined ? largest : Number(declared) * (coding === undefined ? 1 : LARGEST_INFLATION);
    if (hasBody(req)) GATES.get(res)?.makeRoom(res, Math.min(most, largest));
    next();
  };
}

/** Once a body was read. */
export const beginWithBody: RequestHandler = (req, res, next) => {
  const gate = GATES.get(res);
  if (Buffer.isBuffer(req.body)) gate?.makeRoom(res, req.body.length);
  gate?.begin(res);
  next();
};

/** RFC 9112 section 6.3: a request has a body when one of these says so. */
function hasBody({ headers }: Request): boolean {
  return headers['transfer-encoding'] !== undefined || (headers['content-length'] ?? '0') !== '0';
}

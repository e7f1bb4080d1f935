/**
 * A stand-in EHR: a small FHIR R4 endpoint on loopback that keeps what it is sent in memory.
 * For the demonstration and for tests; it can be told to fail like real ones do (`faults.ts`).
 */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';
import { setTimeout as pause } from 'node:timers/promises';
import { isJsonObject, parseExactJson, stringifyExact } from '../../src/core/json.ts';
import { FaultScript, type Fault, type FaultSource } from './faults.ts';
import { finderIn, typeOf, type Finder } from './interactions.ts';
import { Memory, objectsIn, type ResourceType, type Version } from './memory.ts';
import { FhirProblem } from './problem.ts';
import { answer, type Answer, type Call } from './routes.ts';
import { reset, send, spoil } from './spoil.ts';

export interface ReceivedRequest {
  readonly method: string;
  readonly url: string;
  readonly headers: Readonly<Record<string, string | string[] | undefined>>;
  readonly body: string;
}

export interface Receiver {
  /** FHIR base, `http://127.0.0.1:{port}/fhir`. */
  readonly url: string;
  /** Current versions of all that is held, oldest resource first. */
  resources(): readonly Version[];
  /** All versions of one resource, oldest first; `reference` as in `Observation/1001`. */
  history(reference: string): readonly Version[];
  /** Bodies of all Bundles that arrived, as they arrived. */
  bundles(): readonly string[];
  requests(): readonly ReceivedRequest[];
  /** Adds faults behind those that still wait. */
  fail(...faults: readonly Fault[]): void;
  close(): Promise<void>;
}

export interface ReceiverOptions {
  /** 0 picks a free one. */
  readonly port: number;
  readonly faults?: readonly Fault[];
  /** Conditional creates look, wait this long, then create: two at once make two. */
  readonly racyMs?: number;
  /** Conditional creates do not see what so many others were created after. */
  readonly forgetsAfter?: number;
  /** Asked when no scripted fault is aimed at a request. */
  readonly dice?: FaultSource;
  /** What an earlier receiver held, as after a restart of the EHR. */
  readonly memory?: Memory;
  /** Told when a faulty answer is under way, or is held back for good. */
  readonly onFault?: (fault: Fault) => void;
}

const LARGEST_BODY_BYTES = 8_388_608;

/** Listens on 127.0.0.1 only. Rejects when the port is taken. */
export async function startReceiver(options: ReceiverOptions): Promise<Receiver> {
  const { port, faults = [], racyMs = 0, forgetsAfter = Infinity, dice, memory = new Memory(), onFault } = options;
  const script = new FaultScript(faults);
  const requests: ReceivedRequest[] = [];
  let base = '';

  const server = createServer((request, response) => {
    serve(request, response).catch(() => response.destroy());
  });

  async function serve(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const call = await readCall(request);
    requests.push({ method: call.method, url: request.url ?? '', headers: request.headers, body: call.body });
    const kind = kindOf(call);
    const fault = kind === undefined ? undefined : (script.next(kind, call.body) ?? dice?.next(kind, call.body));
    await answerCall(call, response, fault);
    if (fault !== undefined) onFault?.(fault);
  }

  async function answerCall(call: Call, response: ServerResponse, fault: Fault | undefined): Promise<void> {
    if (fault?.do === 'reset') {
      reset(response);
      return;
    }
    if (fault?.do === 'answer') {
      send(response, fault.status, fault.headers ?? {}, fault.body ?? '');
      return;
    }
    if (fault?.do === 'delay') await pause(fault.ms, undefined, { ref: false });
    const find = racyMs > 0 ? await racyFinder(call) : finder;
    const result = answerOrProblem(find, fault?.do === 'alter' ? { ...call, body: fault.alter(call.body) } : call);
    if (fault?.do === 'apply-then') spoil(response, result, fault.then);
    else send(response, result.status, result.headers, stringifyExact(result.body));
  }

  function answerOrProblem(find: Finder, call: Call): Answer {
    try {
      return answer(memory, find, base, call);
    } catch (error) {
      if (!(error instanceof FhirProblem)) throw error;
      return { status: error.status, headers: {}, body: error.toOutcome() };
    }
  }

  function finder(type: ResourceType, query: string): readonly Version[] {
    return finderIn(memory)(type, query).filter((found) => !(memory.createdAfter(found) >= forgetsAfter));
  }

  /** Looks now for what the conditional creates of a Bundle name, and answers from that a while later. */
  async function racyFinder({ body }: Call): Promise<Finder> {
    const parsed = parseExactJson(body);
    const seen = new Map<string, readonly Version[]>();
    for (const { request } of parsed.ok && isJsonObject(parsed.value) ? objectsIn(parsed.value['entry']) : []) {
      if (!isJsonObject(request) || typeof request['ifNoneExist'] !== 'string') continue;
      const query = request['ifNoneExist'];
      seen.set(query, finder(typeOf(String(request['url'])), query));
    }
    await pause(racyMs, undefined, { ref: false });
    return (type, query) => seen.get(query) ?? finder(type, query);
  }

  await new Promise<void>((resolve, reject) => {
    server.once('error', reject);
    server.listen(port, '127.0.0.1', resolve);
  });
  base = `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`;

  return {
    url: base,
    resources: () => memory.all(),
    history: (reference) => memory.history(reference),
    bundles: () => requests.filter(({ method, url }) => method === 'POST' && url === '/fhir').map(({ body }) => body),
    requests: () => requests,
    fail: (...more) => script.add(more),
    close: () =>
      new Promise((resolve) => {
        server.close(() => resolve());
        server.closeAllConnections();
      }),
  };
}

async function readCall(request: IncomingMessage): Promise<Call> {
  const chunks: Buffer[] = [];
  let bytes = 0;
  for await (const chunk of request as AsyncIterable<Buffer>) {
    bytes += chunk.byteLength;
    if (bytes > LARGEST_BODY_BYTES) throw new RangeError('the body is too large');
    chunks.push(chunk);
  }
  const [path = '', query = ''] = (request.url ?? '').split(/\?(.*)/s);
  const { 'if-none-exist': ifNoneExist, 'if-match': ifMatch } = request.headers;
  return {
    method: request.method ?? '',
    // anything outside the base becomes a path that names no resource type
    path: path === '/fhir' || path.startsWith('/fhir/') ? path.slice('/fhir/'.length) : `outside${path}`,
    query,
    body: Buffer.concat(chunks).toString('utf8'),
    ...(typeof ifNoneExist === 'string' ? { ifNoneExist } : {}),
    ...(ifMatch === undefined ? {} : { ifMatch }),
  };
}

function kindOf({ method, path }: Call): 'bundle' | 'search' | undefined {
  if (method === 'POST' && path === '') return 'bundle';
  return (method === 'GET' && /^[A-Z][A-Za-z]+$/.test(path)) || path.endsWith('/_search') ? 'search' : undefined;
}

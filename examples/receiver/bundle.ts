/** `transaction` (all or nothing) and `batch` (each alone) Bundles posted to the stand-in EHR. */
import { isJsonObject, type JsonObject, type JsonValue } from '../../src/core/json.ts';
import { create, settleReferences, typeOf, update, type Finder, type Written } from './interactions.ts';
import type { Memory } from './memory.ts';
import { FhirProblem } from './problem.ts';

interface Entry {
  readonly fullUrl: string | undefined;
  readonly resource: JsonObject;
  readonly method: 'POST' | 'PUT';
  readonly url: string;
  readonly ifNoneExist: string | undefined;
  readonly ifMatch: string | undefined;
}

/** Throws FhirProblem when a transaction fails, and then nothing of it is stored. */
export function applyBundle(memory: Memory, find: Finder, bundle: JsonObject): JsonObject {
  const items = Array.isArray(bundle['entry']) ? bundle['entry'] : [];
  if (bundle['type'] === 'transaction')
    return responseBundle('transaction-response', transaction(memory, find, items.map(readEntry)).map(responseOf));
  if (bundle['type'] === 'batch')
    return responseBundle(
      'batch-response',
      items.map((item) => alone(memory, find, item)),
    );
  throw new FhirProblem(400, 'value', 'only transaction and batch Bundles are taken', 'Bundle.type');
}

function transaction(memory: Memory, find: Finder, entries: readonly Entry[]): readonly Written[] {
  const targets = entries.map(({ url, ifNoneExist }, index) =>
    ifNoneExist === undefined ? (url.includes('/') || url.includes('?') ? url : String(index)) : `${url}?${ifNoneExist}`,
  );
  if (new Set(targets).size !== targets.length)
    throw new FhirProblem(400, 'duplicate', 'two entries are about the same resource', 'Bundle.entry');
  const mark = memory.mark();
  try {
    const written = new Map<Entry, Written>();
    for (const method of ['POST', 'PUT']) {
      for (const entry of entries) if (entry.method === method) written.set(entry, write(memory, find, entry));
    }
    const links = new Map<string, string>();
    for (const [{ fullUrl }, { version }] of written) if (fullUrl !== undefined) links.set(fullUrl, `${version.type}/${version.id}`);
    for (const { version, isChanged } of written.values()) if (isChanged) settleReferences(memory, version, links);
    return entries.map((entry) => written.get(entry) as Written);
  } catch (error) {
    memory.rollBackTo(mark);
    throw error;
  }
}

function alone(memory: Memory, find: Finder, item: JsonValue): JsonObject {
  try {
    return responseOf(transaction(memory, find, [readEntry(item)])[0] as Written);
  } catch (error) {
    if (!(error instanceof FhirProblem)) throw error;
    return { response: { status: String(error.status), outcome: error.toOutcome() } };
  }
}

function write(memory: Memory, find: Finder, { method, url, resource, ifNoneExist, ifMatch }: Entry): Written {
  return method === 'POST' ? create(memory, find, typeOf(url), resource, ifNoneExist) : update(memory, find, url, resource, ifMatch);
}

function readEntry(item: JsonValue): Entry {
  const request = isJsonObject(item) ? item['request'] : undefined;
  const resource = isJsonObject(item) ? item['resource'] : undefined;
  if (!isJsonObject(item) || !isJsonObject(request) || !isJsonObject(resource)) {
    throw new FhirProblem(400, 'required', 'an entry has a request and a resource', 'Bundle.entry');
  }
  const { method, url, ifNoneExist, ifMatch } = request;
  if ((method !== 'POST' && method !== 'PUT') || typeof url !== 'string') {
    throw new FhirProblem(400, 'not-supported', 'entries are POST or PUT', 'Bundle.entry.request.method');
  }
  return { fullUrl: textOf(item['fullUrl']), resource, method, url, ifNoneExist: textOf(ifNoneExist), ifMatch: textOf(ifMatch) };
}

function textOf(value: JsonValue | undefined): string | undefined {
  return typeof value === 'string' ? value : undefined;
}

function responseOf({ status, version: { type, id, version, lastUpdated } }: Written): JsonObject {
  return {
    response: {
      status: status === 201 ? '201 Created' : '200 OK',
      location: `${type}/${id}/_history/${version}`,
      etag: `W/"${version}"`,
      lastModified: lastUpdated,
    },
  };
}

function responseBundle(type: string, entry: JsonObject[]): JsonObject {
  return { resourceType: 'Bundle', type, entry };
}

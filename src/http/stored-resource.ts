/**
 * Read, version read and history of what the store holds.
 */
import type { StoredResource, StoredType } from '../ports.ts';
import { sendFhir } from './answer.ts';
import { hasVersion } from './conditional.ts';
import { idOf, notFound, versionOf } from './path-id.ts';
import { writeHistory } from './search/searchset.ts';
import type { Handler, Request, Response, Serving } from './serving.ts';

export function readStored({ store }: Serving, type: StoredType): Handler {
  return async (req, res) => sendVersion(req, res, await store.read.current(type, idOf(req)));
}

export function readStoredVersion({ store }: Serving, type: StoredType): Handler {
  return async (req, res) => sendVersion(req, res, await store.read.version(type, idOf(req), versionOf(req)));
}

export function readStoredHistory({ store, baseUrl }: Serving, type: StoredType): Handler {
  return async (req, res) => {
    const id = idOf(req);
    const versions = await store.read.history(type, id);
    if (versions.length === 0) throw notFound();
    sendFhir(res, { status: 200, text: writeHistory(baseUrl, `${baseUrl}/${type}/${id}/_history`, versions) });
  };
}

function sendVersion(req: Request, res: Response, resource: StoredResource | undefined): void {
  if (!resource) throw notFound();
  if (hasVersion(req, resource.version)) sendFhir(res, { status: 304, version: resource });
  else sendFhir(res, { status: 200, text: resource.text, version: resource });
}

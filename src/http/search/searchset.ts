/**
 * Bundles of type searchset and history, put together from stored texts so that no digit changes.
 */
import type { StoredResource } from '../../ports.ts';
import { toVersionTag } from '../../version-tag.ts';

export interface Link {
  readonly relation: 'self' | 'next';
  readonly url: string;
}

/** A resource as it stands in a Bundle: its own text, untouched. */
export interface SearchEntry {
  readonly fullUrl: string;
  readonly text: string;
  readonly mode: 'match' | 'include';
}

export function writeSearchset({
  total,
  links,
  entries,
}: {
  readonly total?: number;
  readonly links: readonly Link[];
  readonly entries: readonly SearchEntry[];
}): string {
  return writeBundle(
    'searchset',
    total,
    links,
    entries.map(({ fullUrl, text, mode }) => `{"fullUrl":${JSON.stringify(fullUrl)},"resource":${text},"search":{"mode":"${mode}"}}`),
  );
}

/** All versions of one resource, newest first. R4 bdl-3 and bdl-4 ask for request and response. */
export function writeHistory(baseUrl: string, self: string, versions: readonly StoredResource[]): string {
  const entries = versions.map(({ type, id, version, lastUpdated, text }) => {
    const isCreate = version === 1;
    const byServer = type === 'Observation' || type === 'Provenance';
    const request = isCreate && byServer ? { method: 'POST', url: type } : { method: 'PUT', url: `${type}/${id}` };
    const response = { status: isCreate ? '201' : '200', etag: toVersionTag(version), lastModified: lastUpdated };
    return `{"fullUrl":${JSON.stringify(`${baseUrl}/${type}/${id}`)},"resource":${text},"request":${JSON.stringify(request)},"response":${JSON.stringify(response)}}`;
  });
  return writeBundle('history', versions.length, [{ relation: 'self', url: self }], entries);
}

function writeBundle(type: string, total: number | undefined, links: readonly Link[], entries: readonly string[]): string {
  const head = JSON.stringify({ resourceType: 'Bundle', type, ...(total !== undefined && { total }), link: links });
  // an empty array is no FHIR: the entry element is left out instead
  return entries.length === 0 ? head : `${head.slice(0, -1)},"entry":[${entries.join(',')}]}`;
}

/**
 * What the store itself says in a resource: its id, `meta.versionId` and `meta.lastUpdated`.
 */
import { isJsonObject, type JsonObject } from '../core/json.ts';

/** The instant of a version: now, or a microsecond after the last one when the clock stands still or goes back. */
export function nextInstant(nowMs: number, last: string | undefined): string {
  const nowMicroseconds = Math.floor(nowMs) * 1000;
  return toInstantText(last === undefined ? nowMicroseconds : Math.max(nowMicroseconds, toMicroseconds(last) + 1));
}

/** `YYYY-MM-DDTHH:mm:ss.ffffffZ`: of one length, so that it sorts as text. */
function toInstantText(microseconds: number): string {
  const milliseconds = Math.floor(microseconds / 1000);
  const rest = String(microseconds - milliseconds * 1000).padStart(3, '0');
  return `${new Date(milliseconds).toISOString().slice(0, -1)}${rest}Z`;
}

function toMicroseconds(instant: string): number {
  return Date.parse(`${instant.slice(0, 23)}Z`) * 1000 + Number(instant.slice(23, 26));
}

/**
 * A copy with `id` right after `resourceType` and `meta` right after `id`; all else in the order
 * it came. Of `meta` only versionId and lastUpdated are ours.
 */
export function stampVersion(content: JsonObject, id: string, version: number, lastUpdated: string): JsonObject {
  const { resourceType, id: _id, meta, ...rest } = content;
  const { versionId: _versionId, lastUpdated: _lastUpdated, ...kept } = isJsonObject(meta) ? meta : {};
  return {
    ...(resourceType !== undefined && { resourceType }),
    id,
    meta: { versionId: String(version), lastUpdated, ...kept },
    ...rest,
  };
}

/**
 * What the stand-in EHR holds: every version of every resource, in memory, digits as written.
 *
 * Writes are journalled, so that a transaction that fails half-way leaves nothing behind. All of
 * it is synchronous: no other request sees the middle of a transaction.
 */
import { isJsonObject, stringifyExact, type JsonObject, type JsonValue } from '../../src/core/json.ts';

export const RESOURCE_TYPES = ['Observation', 'Provenance', 'Patient', 'Device'] as const;
export type ResourceType = (typeof RESOURCE_TYPES)[number];

export interface Version {
  readonly type: ResourceType;
  readonly id: string;
  readonly version: number;
  readonly lastUpdated: string;
  readonly content: JsonObject;
  /** Exactly what a read returns. */
  readonly text: string;
}

export class Memory {
  readonly #versions = new Map<string, Version[]>();
  /** `Observation identifier system|value` to references; may name resources that bear it no more. */
  readonly #byToken = new Map<string, Set<string>>();
  readonly #journal: string[] = [];
  #lastId = 1000;

  /** Stores the next version; a new resource gets an id of the memory's own unless one is given. */
  put(type: ResourceType, content: JsonObject, id = String(++this.#lastId)): Version {
    const reference = `${type}/${id}`;
    const versions = this.#versions.get(reference) ?? [];
    this.#versions.set(reference, versions);
    const stored = versionOf(type, id, versions.length + 1, new Date().toISOString(), content);
    versions.push(stored);
    this.#journal.push(reference);
    for (const token of tokensOf(content)) {
      const key = `${type} ${token}`;
      this.#byToken.set(key, (this.#byToken.get(key) ?? new Set()).add(reference));
    }
    return stored;
  }

  /** Replaces the content of the version just stored, once its references are resolved. */
  amend({ type, id, version, lastUpdated }: Version, content: JsonObject): Version {
    const amended = versionOf(type, id, version, lastUpdated, content);
    this.#versions.get(`${type}/${id}`)?.splice(version - 1, 1, amended);
    return amended;
  }

  /** How many resources got an id of the memory's own after this one. */
  createdAfter({ id }: Version): number {
    return this.#lastId - Number(id);
  }

  current(reference: string): Version | undefined {
    return this.#versions.get(reference)?.at(-1);
  }

  /** Oldest first; empty when there is no such resource. */
  history(reference: string): readonly Version[] {
    return this.#versions.get(reference) ?? [];
  }

  /** Current versions, oldest resource first. */
  all(type?: ResourceType): readonly Version[] {
    const current = [...this.#versions.values()].map((versions) => versions.at(-1)).filter((version) => version !== undefined);
    return type === undefined ? current : current.filter((version) => version.type === type);
  }

  /** Current versions that may bear the token (`identifier` or `_tag`, then `system|value`). */
  bearing(type: ResourceType, parameter: string, token: string): readonly Version[] {
    const references = this.#byToken.get(`${type} ${parameter} ${token}`) ?? [];
    return [...references].map((reference) => this.current(reference)).filter((version) => version !== undefined);
  }

  mark(): number {
    return this.#journal.length;
  }

  rollBackTo(mark: number): void {
    for (const reference of this.#journal.splice(mark).reverse()) {
      const versions = this.#versions.get(reference);
      versions?.pop();
      if (versions?.length === 0) this.#versions.delete(reference);
    }
  }
}

function versionOf(type: ResourceType, id: string, version: number, lastUpdated: string, content: JsonObject): Version {
  const { resourceType: _type, id: _id, meta, ...rest } = content;
  const kept = isJsonObject(meta) ? meta : {};
  const served = { resourceType: type, id, meta: { ...kept, versionId: String(version), lastUpdated }, ...rest };
  return { type, id, version, lastUpdated, content: served, text: stringifyExact(served) };
}

function tokensOf(content: JsonObject): readonly string[] {
  const meta = content['meta'];
  return [
    ...objectsIn(content['identifier']).map(({ system, value }) => `identifier ${String(system)}|${String(value)}`),
    ...objectsIn(isJsonObject(meta) ? meta['tag'] : undefined).map(({ system, code }) => `_tag ${String(system)}|${String(code)}`),
  ];
}

export function objectsIn(value: JsonValue | undefined): readonly JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}

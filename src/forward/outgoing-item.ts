/**
 * Gathers what one outbox item says out of the store: the resources as they were stored, what is
 * known of the EHR's copies, and how the EHR is told of Observations that went out earlier.
 */
import { isJsonObject, parseExactJson, type JsonObject } from '../core/json.ts';
import type { EhrCopy, OutboxItem, OutboxStore, StoredResource, StoreReader, VersionedReference } from '../ports.ts';
import { identityOf, searchFor } from './identity.ts';
import { referencedObservations, type OutgoingResource } from './outgoing-bundle.ts';

/** A resource to send, with the version that the EHR is known to have (0: some version). */
export type GatheredResource = OutgoingResource & { readonly versionThere?: number };

export interface GatheredItem {
  readonly resources: readonly GatheredResource[];
  /** Reference at the EHR, or a conditional one, by our Observation id. */
  readonly elsewhere: ReadonlyMap<string, string>;
}

/** The store does not hold what an outbox item names, or not as JSON: sending it can never work. */
export class ItemUnreadable extends Error {
  constructor(reference: VersionedReference) {
    super(`the store cannot give ${reference.type}/${reference.id} version ${reference.version}`);
    this.name = 'ItemUnreadable';
  }
}

/** Throws ItemUnreadable, and whatever the store throws. */
export async function gatherItem(item: OutboxItem, read: StoreReader, outbox: OutboxStore): Promise<GatheredItem> {
  const resources: GatheredResource[] = [];
  for (const reference of newestOnly(item.resources)) {
    const content = contentOf(await read.version(reference.type, reference.id, reference.version));
    if (content === undefined) throw new ItemUnreadable(reference);
    const copy = await outbox.copyOf(reference.type, reference.id);
    resources.push({
      ...reference,
      content,
      identity: identityOf(reference.type, reference.id, content),
      ...(copy === undefined ? {} : { copyAt: copy.reference, versionThere: copy.version }),
    });
  }
  const inItem = new Set(resources.filter(({ type }) => type === 'Observation').map(({ id }) => id));
  const elsewhere = new Map<string, string>();
  for (const id of new Set(resources.flatMap(({ content }) => referencedObservations(content)))) {
    const reference = inItem.has(id) ? undefined : await referenceAtEhr(id, read, outbox);
    if (reference !== undefined) elsewhere.set(id, reference);
  }
  return { resources, elsewhere };
}

/** FHIR R4, transaction rules: no resource twice in one transaction. The newest version says it all. */
function newestOnly(references: readonly VersionedReference[]): readonly VersionedReference[] {
  const newest = new Map<string, VersionedReference>();
  for (const reference of references) {
    const key = `${reference.type}/${reference.id}`;
    if (reference.version > (newest.get(key)?.version ?? 0)) newest.set(key, reference);
  }
  return [...newest.values()];
}

async function referenceAtEhr(id: string, read: StoreReader, outbox: OutboxStore): Promise<string | undefined> {
  const copy: EhrCopy | undefined = await outbox.copyOf('Observation', id);
  if (copy !== undefined) return copy.reference;
  const content = contentOf(await read.current('Observation', id));
  return content === undefined ? undefined : `Observation?${searchFor([identityOf('Observation', id, content)])}`;
}

function contentOf(stored: StoredResource | undefined): JsonObject | undefined {
  const parsed = stored === undefined ? undefined : parseExactJson(stored.text);
  return parsed?.ok === true && isJsonObject(parsed.value) ? parsed.value : undefined;
}

/**
 * Gathers what one outbox item says out of the store: the resources as they were stored, what is
 * known of the EHR's copies, and how the EHR is told of the Observations that they refer to.
 *
 * An Observation of ours that is referred to and never went out (it was stored while no EHR was
 * configured, or its own item was discarded) goes along: the EHR would refuse the whole Bundle for a
 * reference that leads nowhere.
 */
import { isJsonObject, parseExactJson, type JsonObject } from '../core/json.ts';
import { provenanceId } from '../core/provenance.ts';
import type { OutboxItem, OutboxStore, StoredResource, StoreReader, VersionedReference } from '../ports.ts';
import { identityOf, type Identity } from './identity.ts';
import { referencedObservations, type OutgoingResource } from './outgoing-bundle.ts';

/** A resource to send, with the version that the EHR is known to have (0: some version). */
export type GatheredResource = OutgoingResource & { readonly versionThere?: number };

export interface GatheredItem {
  /** What the item names, then what goes along. */
  readonly resources: readonly GatheredResource[];
  /** Literal reference at the EHR, by our Observation id. */
  readonly elsewhere: ReadonlyMap<string, string>;
  /** Observations of ours that are referred to, not known to be at the EHR, and may not go along; by our id. */
  readonly unplaced: ReadonlyMap<string, Identity>;
}

/** More than a BMI and its inputs ever need; keeps a sender's long chain of references out of one Bundle. */
const MOST_RESOURCES = 50;

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
  for (const reference of newestOnly(item.resources)) resources.push(await gather(reference, read, outbox));
  const settled = new Set(resources.filter(({ type }) => type === 'Observation').map(({ id }) => id));
  const elsewhere = new Map<string, string>();
  const unplaced = new Map<string, Identity>();
  // grows while it is walked: what goes along may refer to more
  for (const { content } of resources) {
    for (const id of referencedObservations(content)) {
      if (settled.has(id)) continue;
      settled.add(id);
      const copy = await outbox.copyOf('Observation', id);
      const along = copy === undefined && resources.length < MOST_RESOURCES ? await goingAlong(id, item.person, read, outbox) : [];
      if (copy !== undefined) elsewhere.set(id, copy.reference);
      else if (along.length === 0) await leaveUnplaced(id, unplaced, read);
      for (const reference of along) resources.push(await gather(reference, read, outbox));
    }
  }
  return { resources, elsewhere, unplaced };
}

async function gather(reference: VersionedReference, read: StoreReader, outbox: OutboxStore): Promise<GatheredResource> {
  const { type, id, version } = reference;
  const content = contentOf(await read.version(type, id, version));
  if (content === undefined) throw new ItemUnreadable(reference);
  const copy = await outbox.copyOf(type, id);
  return {
    type,
    id,
    version,
    content,
    identity: identityOf(type, id, content),
    ...(copy === undefined ? {} : { copyAt: copy.reference, versionThere: copy.version }),
  };
}

/**
 * The current version of an Observation and its Provenance; nothing when it is held, which no EHR is
 * told of, or filed for another person: only within a person do sendings keep their order.
 */
async function goingAlong(id: string, person: string, read: StoreReader, outbox: OutboxStore): Promise<readonly VersionedReference[]> {
  const { resources } = await read.searchObservations({ ids: [id], persons: [person], includeHeld: false, sort: [], count: 1 });
  const [observation] = resources;
  if (observation === undefined) return [];
  const { version } = observation;
  if (await mayBeTakenBack(id, person, read, outbox)) return [];
  // a decision may have been taken back between the two looks
  if ((await read.current('Observation', id))?.version !== version) return [];
  const provenance = await read.current('Provenance', provenanceId({ id, version }));
  return [
    { type: 'Observation', id, version },
    ...(provenance === undefined ? [] : [{ type: 'Provenance' as const, id: provenance.id, version: provenance.version }]),
  ];
}

/** Does it wait for the EHR behind a decision on one of the person's readings? Then it goes with that, or not at all. */
async function mayBeTakenBack(id: string, person: string, read: StoreReader, outbox: OutboxStore): Promise<boolean> {
  for (const { lastDecision } of await read.readingsOf(person))
    if (lastDecision !== undefined && (await outbox.isAwaited(id, lastDecision.afterItem))) return true;
  return false;
}

/** What the store does not know is no Observation of ours, and its reference stays as the sender wrote it. */
async function leaveUnplaced(id: string, unplaced: Map<string, Identity>, read: StoreReader): Promise<void> {
  const content = contentOf(await read.current('Observation', id));
  if (content !== undefined) unplaced.set(id, identityOf('Observation', id, content));
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

function contentOf(stored: StoredResource | undefined): JsonObject | undefined {
  const parsed = stored === undefined ? undefined : parseExactJson(stored.text);
  return parsed?.ok === true && isJsonObject(parsed.value) ? parsed.value : undefined;
}

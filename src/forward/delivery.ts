/**
 * One attempt at bringing one outbox item to the EHR: gather, look up when unsure, send, judge.
 */
import type { EhrCopy, OutboxItem, OutboxStore, StoreReader } from '../ports.ts';
import { classify, type Outcome } from './classify.ts';
import type { Ehr } from './ehr-client.ts';
import { lookUp } from './look-up.ts';
import { buildOutgoingBundle } from './outgoing-bundle.ts';
import { gatherItem, ItemUnreadable, type GatheredResource } from './outgoing-item.ts';

/** Calls that one attempt makes at most: two look-ups and the Bundle. A lease must outlast them. */
export const CALLS_PER_ATTEMPT = 3;

export interface DeliveryPorts {
  readonly outbox: OutboxStore;
  readonly read: StoreReader;
  readonly ehr: Ehr;
}

/**
 * What is only referred to and has no place yet is looked up in any case: a reference that leads
 * nowhere would cost the whole Bundle.
 *
 * @param lookUpFirst when an earlier attempt may have reached the EHR
 * @param requestId sent as `X-Request-Id`
 * @param stop ends the attempt early, with outcome `unclear`
 * Throws what the store throws; nothing that the EHR does throws.
 */
export async function deliver(
  item: OutboxItem,
  { outbox, read, ehr }: DeliveryPorts,
  { lookUpFirst, requestId, stop }: { readonly lookUpFirst: boolean; readonly requestId: string; readonly stop: AbortSignal },
): Promise<Outcome> {
  const gathered = await gatherItem(item, read, outbox).catch((error: unknown) => {
    if (error instanceof ItemUnreadable) return error;
    throw error;
  });
  if (gathered instanceof ItemUnreadable) return { kind: 'permanent', reason: gathered.message };

  const lacking = gathered.resources.filter(isLacking);
  const unknown = lookUpFirst ? lacking.filter(({ copyAt }) => copyAt === undefined).map(({ identity }) => identity) : [];
  const unplaced = lacking.length === 0 ? [] : [...gathered.unplaced];
  const found = await lookUp(ehr, [...unknown, ...unplaced.map(([, identity]) => identity)], requestId, stop);
  if (found.kind !== 'found') return found;

  const resources = gathered.resources.map((resource) => withPlace(resource, found.places.get(resource.identity.value)));
  const missing = resources.filter(isLacking);
  const known = resources.filter((resource) => !missing.includes(resource)).flatMap(copyOf);
  if (missing.length === 0) return { kind: 'sent', copies: known };
  const elsewhere = new Map([
    ...gathered.elsewhere,
    ...unplaced.map(([id, identity]) => [id, found.places.get(identity.value) ?? identity] as const),
    ...known.filter(isObservation).map(({ id, reference }) => [id, reference] as const),
  ]);
  const bundle = buildOutgoingBundle(missing, elsewhere);
  const outcome = classify(await ehr.postBundle(bundle.text, requestId, stop), bundle.entries);
  return outcome.kind === 'sent' ? { kind: 'sent', copies: [...known, ...outcome.copies] } : outcome;
}

function isLacking({ version, versionThere }: GatheredResource): boolean {
  return versionThere === undefined || versionThere < version;
}

/**
 * What a look-up found is at least our first version. A later one is put there again: harmless
 * when it is there already, and one resource all the same.
 */
function withPlace(resource: GatheredResource, place: string | undefined): GatheredResource {
  if (place === undefined) return resource;
  return { ...resource, copyAt: place, versionThere: resource.version === 1 ? 1 : 0 };
}

function copyOf({ type, id, copyAt, versionThere }: GatheredResource): readonly EhrCopy[] {
  return copyAt === undefined || versionThere === undefined ? [] : [{ type, id, reference: copyAt, version: versionThere }];
}

function isObservation({ type }: EhrCopy): boolean {
  return type === 'Observation';
}

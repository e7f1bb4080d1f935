/**
 * One attempt at bringing one outbox item to the EHR: gather, look up when unsure, send, judge.
 */
import { provenanceId } from '../core/provenance.ts';
import type { EhrCopy, OutboxItem, OutboxStore, StoreReader } from '../ports.ts';
import { classify, sentAs, type Outcome, type Setback } from './classify.ts';
import { differencesOf, type CopyElement } from './copy-differences.ts';
import type { Ehr } from './ehr-client.ts';
import { withFormerIdentities } from './identity.ts';
import { lookUp, type FoundCopy, type LookUp } from './look-up.ts';
import { buildOutgoingBundle, type OutgoingResource } from './outgoing-bundle.ts';
import { gatherItem, ItemUnreadable, type GatheredResource } from './outgoing-item.ts';
import { findLost, UNKNOWN_VERSION, versionsLike } from './restored-store.ts';

/** Calls that one attempt makes as a rule: two look-ups and the Bundle. A lease must outlast them. */
export const CALLS_PER_ATTEMPT = 3;

export interface DeliveryPorts {
  readonly outbox: OutboxStore;
  readonly read: StoreReader;
  readonly ehr: Ehr;
}

export interface Attempt {
  /** An earlier attempt may have reached the EHR. */
  readonly lookUpFirst: boolean;
  /** Sent as `X-Request-Id`. */
  readonly requestId: string;
  /** Ends the attempt early, with outcome `unclear`. */
  readonly stop: AbortSignal;
  /** Asked right before the Bundle leaves: may the EHR be called, and is the item still ours for as long as a call takes? */
  readonly maySend: () => Promise<boolean>;
}

/**
 * What is only referred to and has no place yet is looked up in any case: a reference that leads
 * nowhere would cost the whole Bundle.
 *
 * Throws what the store throws; nothing that the EHR does throws.
 */
export async function deliver(item: OutboxItem, ports: DeliveryPorts, attempt: Attempt): Promise<Outcome> {
  const { outbox, read, ehr } = ports;
  const gathered = await gatherItem(item, read, outbox).catch((error: unknown) => {
    if (error instanceof ItemUnreadable) return error;
    throw error;
  });
  if (gathered instanceof ItemUnreadable) return { kind: 'permanent', reason: gathered.message };

  const isDistrusted = item.isDistrusted === true;
  const lacking = gathered.resources.filter(isLacking);
  const unsure = attempt.lookUpFirst || isDistrusted ? lacking : [];
  const unplaced = lacking.length === 0 ? [] : [...gathered.unplaced];
  const identities = [...unsure.map(({ identity }) => identity), ...unplaced.map(([, identity]) => identity)];
  const found = await lookUp(ehr, identities, attempt.requestId, attempt.stop);
  if (found.kind !== 'found') return found;
  const lost = isDistrusted ? await lostOf(unsure, found.copies, ports, attempt) : found;
  if (lost.kind !== 'found') return lost;

  const copies = new Map([...lost.copies, ...found.copies]);
  const resources: Settled[] = [];
  for (const resource of gathered.resources) {
    const copy = unsure.includes(resource) ? copies.get(resource.identity.value) : undefined;
    const settled = copy === undefined ? { resource } : await settle(resource, copy, copies, isDistrusted ? read : undefined);
    if ('kind' in settled) return settled;
    resources.push(settled);
  }
  const altered = resources.flatMap((one) => one.altered ?? []);
  const missing = resources.map(({ resource }) => resource).filter(isLacking);
  const known = resources.filter(({ resource }) => !missing.includes(resource)).flatMap(({ resource }) => copyOf(resource));
  if (missing.length === 0) return sentAs(known, altered);

  const elsewhere = new Map([
    ...gathered.elsewhere,
    ...unplaced.map(([id, identity]) => [id, found.copies.get(identity.value)?.reference ?? identity] as const),
    ...known.filter(isObservation).map(({ id, reference }) => [id, reference] as const),
  ]);
  return send(missing, elsewhere, { known, altered }, ehr, attempt);
}

async function send(
  missing: readonly OutgoingResource[],
  elsewhere: Parameters<typeof buildOutgoingBundle>[1],
  { known, altered }: { readonly known: readonly EhrCopy[]; readonly altered: readonly CopyElement[] },
  ehr: Ehr,
  { requestId, stop, maySend }: Attempt,
): Promise<Outcome> {
  const bundle = buildOutgoingBundle(missing, elsewhere);
  if (!(await maySend())) return { kind: 'let-go' };
  const outcome = classify(await ehr.postBundle(bundle.text, requestId, stop), bundle.entries);
  return outcome.kind === 'sent' ? sentAs([...known, ...outcome.copies], [...altered, ...(outcome.altered ?? [])]) : outcome;
}

function lostOf(
  resources: readonly GatheredResource[],
  found: ReadonlyMap<string, FoundCopy>,
  ports: DeliveryPorts,
  attempt: Attempt,
): Promise<LookUp> {
  return findLost(
    resources.filter(({ identity }) => !found.has(identity.value)),
    ports,
    attempt,
  );
}

function isLacking({ version, versionThere }: GatheredResource): boolean {
  return versionThere === undefined || versionThere < version;
}

interface Settled {
  readonly resource: GatheredResource;
  readonly altered?: readonly CopyElement[];
}

/**
 * What a copy at the EHR means for a resource that may have been sent.
 *
 * A first version is there when a copy is; that one which tells it otherwise is not overwritten. A
 * later version is there when its Provenance is, since the two came in one transaction; else it is
 * put over the version that was just seen, and nothing is overwritten that came in between.
 *
 * @param read given when the store is not to be believed: then only an older version of it is written
 *   over, and a copy that is none of its versions stops the item
 */
async function settle(
  resource: GatheredResource,
  copy: FoundCopy,
  copies: ReadonlyMap<string, FoundCopy>,
  read: StoreReader | undefined,
): Promise<Settled | Setback> {
  const there = { ...resource, copyAt: copy.reference, versionThere: resource.version };
  const { versionId } = copy;
  const content = resource.type === 'Observation' ? withFormerIdentities(resource.content, copy.content) : resource.content;
  const over = {
    ...resource,
    content,
    copyAt: copy.reference,
    versionThere: 0,
    ...(versionId !== undefined && { seenVersionId: versionId }),
  };
  if (resource.type === 'Provenance') {
    // numbers of versions that were lost are given again
    const isTheSame = read === undefined || resource.content['recorded'] === copy.content['recorded'];
    return { resource: isTheSame ? there : over };
  }
  if (read !== undefined) {
    const versions = await versionsLike(resource, copy, read);
    if (versions.length === 0) return UNKNOWN_VERSION;
    return { resource: Math.min(...versions) < resource.version ? over : there };
  }
  const altered = differencesOf(resource.content, copy.content);
  const hasCome = resource.version === 1 || copies.has(provenanceId({ id: resource.id, version: resource.version }));
  return hasCome ? { resource: there, altered } : { resource: over };
}

function copyOf({ type, id, copyAt, versionThere }: GatheredResource): readonly EhrCopy[] {
  return copyAt === undefined || versionThere === undefined ? [] : [{ type, id, reference: copyAt, version: versionThere }];
}

function isObservation({ type }: EhrCopy): boolean {
  return type === 'Observation';
}

/**
 * What an EHR may have that a store restored from a backup does not remember, and how it is told.
 *
 * Three things can have happened in the time that was lost: an item that the backup calls unsent was
 * sent; a later version of a resource was sent; a reading came in, was sent, and now comes again and
 * has another id of ours. The first is found by our identifier. The second shows as a copy that is
 * none of the versions that we know, and is left alone. The third is found by what the gateway called
 * the reading, and its figures (BMI and others) by the id that they then had, which follows from the
 * reading's. A reading whose gateway gives it no identifier cannot be told apart and would be doubled.
 */
import { isJsonObject, parseExactJson } from '../core/json.ts';
import { OURS } from '../core/terminology.ts';
import type { OutboxStore, StoreReader } from '../ports.ts';
import type { Setback } from './classify.ts';
import { codingsOf, differencesOf, objectsIn } from './copy-differences.ts';
import type { Ehr } from './ehr-client.ts';
import { escapeToken, identityValueIn, type Identity } from './identity.ts';
import { foundCopyOf, foundIn, lookUp, readCopy, severalOf, type FoundCopy, type LookUp } from './look-up.ts';
import { referencedObservations } from './outgoing-bundle.ts';
import type { GatheredResource } from './outgoing-item.ts';

export interface LostPorts {
  readonly outbox: OutboxStore;
  readonly read: StoreReader;
  readonly ehr: Ehr;
}

/** The setback of an item whose copy at the EHR is not to be overwritten. */
export const UNKNOWN_VERSION: Setback = {
  kind: 'permanent',
  reason:
    'the EHR holds a version of this reading that the restored store does not know: compare the two, then discard this item or mend the EHR',
};

/** Does the copy say what one of the versions says that this store has of it, up to that which is to be sent? */
export async function isKnownVersion({ type, id, version }: GatheredResource, { content }: FoundCopy, read: StoreReader): Promise<boolean> {
  const versions = await read.history(type, id);
  return versions.some((stored) => {
    const known = stored.version <= version ? parseExactJson(stored.text) : undefined;
    return known?.ok === true && isJsonObject(known.value) && differencesOf(known.value, content).length === 0;
  });
}

interface Asking {
  readonly requestId: string;
  readonly stop: AbortSignal;
}

/**
 * Looks for copies of Observations that our identifier did not find: at their place, where that is
 * known, or by what their senders called them, or by the ids that their figures had.
 *
 * @returns copies by the value of our identifier as it is now
 */
export async function findLost(resources: readonly GatheredResource[], ports: LostPorts, asking: Asking): Promise<LookUp> {
  const copies = new Map<string, FoundCopy>();
  const observations = resources.filter(({ type }) => type === 'Observation');
  for (const resource of observations) {
    const { identity, copyAt } = resource;
    const found =
      copyAt === undefined
        ? await findBySender(resource, ports.ehr, asking)
        : await readCopy(ports.ehr, copyAt, asking.requestId, asking.stop);
    if (found.kind !== 'found') return found;
    if (found.copy !== undefined) copies.set(identity.value, found.copy);
  }
  const former = new Map<string, string>();
  for (const { id, content, identity } of observations) {
    const formerId = copies.has(identity.value) ? undefined : await formerIdOf({ id, content }, copies, ports, asking);
    if (formerId !== undefined) former.set(formerId, identity.value);
  }
  const figures = await lookUp(ports.ehr, [...former.keys()].map(asIdentity), asking.requestId, asking.stop);
  if (figures.kind !== 'found') return figures;
  for (const [formerId, copy] of figures.copies) copies.set(former.get(formerId) ?? formerId, copy);
  return { kind: 'found', copies };
}

function asIdentity(value: string): Identity {
  return { type: 'Observation', system: OURS.observationIdentifier, value };
}

async function findBySender(
  { content }: GatheredResource,
  ehr: Ehr,
  { requestId, stop }: Asking,
): Promise<{ readonly kind: 'found'; readonly copy: FoundCopy | undefined } | Setback> {
  const tokens = objectsIn(content['identifier']).flatMap(({ system, value }) =>
    typeof system === 'string' && typeof value === 'string' && system !== OURS.observationIdentifier
      ? [`${escapeToken(system)}|${escapeToken(value)}`]
      : [],
  );
  if (tokens.length === 0) return { kind: 'found', copy: undefined };
  const form = new URLSearchParams({ identifier: tokens.join(','), _count: '10' }).toString();
  const found = foundIn(await ehr.searchByForm('Observation', form, requestId, stop), 'Observation');
  if (found.kind !== 'found') return found;
  // a gateway may give the weight and the height of one visit the same identifier
  const codes = codingsOf(content['code']);
  const [only, another] = found.resources.filter(({ code }) => codingsOf(code).some((coding) => codes.includes(coding)));
  if (another !== undefined || !found.isWhole) return severalOf('one identifier of the sender', 'Observation', found.status);
  return { kind: 'found', copy: only && foundCopyOf('Observation', only) };
}

/**
 * The id that a figure had when the reading which it is a figure of had another: see `derivedIdOf`.
 * Undefined for a reading, and when its reading is at the EHR under its own id or not at all.
 */
async function formerIdOf(
  { id, content }: Pick<GatheredResource, 'id' | 'content'>,
  copies: ReadonlyMap<string, FoundCopy>,
  { outbox, ehr }: LostPorts,
  { requestId, stop }: Asking,
): Promise<string | undefined> {
  const reading = referencedObservations(content).find((input) => id.endsWith(`-${input}`) || id.includes(`-${input}-`));
  if (reading === undefined) return undefined;
  const place = (await outbox.copyOf('Observation', reading))?.reference;
  const adopted = copies.get(reading) ?? (place === undefined ? undefined : await contentAt(place, ehr, requestId, stop));
  const formerly = adopted && identityValueIn('Observation', adopted.content);
  return formerly === undefined || formerly === reading ? undefined : id.replace(reading, formerly);
}

async function contentAt(place: string, ehr: Ehr, requestId: string, stop: AbortSignal): Promise<FoundCopy | undefined> {
  const found = await readCopy(ehr, place, requestId, stop);
  return found.kind === 'found' ? found.copy : undefined;
}

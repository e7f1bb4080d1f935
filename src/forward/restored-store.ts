/**
 * What an EHR may have that a store restored from a backup does not remember, and how it is told.
 *
 * Three things can have happened in the time that was lost: an item that the backup calls unsent was
 * sent; a later version of a resource was sent; a reading came in, was sent, and now comes again and
 * has another id of ours. The first is found by our identifier. The second shows as a copy that is
 * none of the versions that we know, and is left alone. The third is found by what the gateway called
 * the reading or by what it says (`lost-reading.ts`), and its figures (BMI and others) by the id that
 * they then had, which follows from the reading's.
 */
import { isJsonObject, parseExactJson } from '../core/json.ts';
import { OURS } from '../core/terminology.ts';
import type { OutboxStore, StoreReader } from '../ports.ts';
import type { Setback } from './classify.ts';
import { differencesOf } from './copy-differences.ts';
import type { Ehr } from './ehr-client.ts';
import { identityValuesIn, type Identity } from './identity.ts';
import { lookUp, readCopy, severalOf, type FoundCopy, type LookUp } from './look-up.ts';
import { findLostReading, type Asking } from './lost-reading.ts';
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

/** Which of the versions that this store has of a resource the copy may be: those that say the same. */
export async function versionsLike({ type, id }: GatheredResource, { content }: FoundCopy, read: StoreReader): Promise<readonly number[]> {
  const versions = await read.history(type, id);
  return versions.flatMap(({ version, text }) => {
    const known = parseExactJson(text);
    return known.ok && isJsonObject(known.value) && differencesOf(known.value, content).length === 0 ? [version] : [];
  });
}

/** The status of a search that found something. */
const ANSWERED = 200;

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
        ? await findLostReading(resource, ports, asking)
        : await readCopy(ports.ehr, copyAt, asking.requestId, asking.stop);
    if (found.kind !== 'found') return found;
    if (found.copy !== undefined) copies.set(identity.value, found.copy);
  }
  const former = new Map<string, string>();
  for (const { id, content, identity } of observations) {
    const formerIds = copies.has(identity.value) ? [] : await formerIdsOf({ id, content }, copies, ports, asking);
    for (const formerId of formerIds) former.set(formerId, identity.value);
  }
  const figures = await lookUp(ports.ehr, [...former.keys()].map(asIdentity), asking.requestId, asking.stop);
  if (figures.kind !== 'found') return figures;
  for (const [formerId, copy] of figures.copies) {
    const now = former.get(formerId) ?? formerId;
    if ((copies.get(now) ?? copy).reference !== copy.reference) return severalOf('former identifiers of ours', 'Observation', ANSWERED);
    copies.set(now, copy);
  }
  return { kind: 'found', copies };
}

function asIdentity(value: string): Identity {
  return { type: 'Observation', system: OURS.observationIdentifier, value };
}

/**
 * The ids that a figure had when the reading which it is a figure of had others: see `derivedIdOf`.
 * None for a reading, and when its reading is at the EHR under its own id alone or not at all.
 */
async function formerIdsOf(
  { id, content }: Pick<GatheredResource, 'id' | 'content'>,
  copies: ReadonlyMap<string, FoundCopy>,
  { outbox, ehr }: LostPorts,
  { requestId, stop }: Asking,
): Promise<readonly string[]> {
  const reading = referencedObservations(content).find((input) => id.endsWith(`-${input}`) || id.includes(`-${input}-`));
  if (reading === undefined) return [];
  const place = (await outbox.copyOf('Observation', reading))?.reference;
  const adopted = copies.get(reading) ?? (place === undefined ? undefined : await contentAt(place, ehr, requestId, stop));
  const formerly = adopted === undefined ? [] : identityValuesIn('Observation', adopted.content);
  return formerly.filter((value) => value !== reading).map((value) => id.replace(reading, value));
}

async function contentAt(place: string, ehr: Ehr, requestId: string, stop: AbortSignal): Promise<FoundCopy | undefined> {
  const found = await readCopy(ehr, place, requestId, stop);
  return found.kind === 'found' ? found.copy : undefined;
}

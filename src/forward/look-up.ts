/**
 * Asks the EHR, by our identifiers, which of our resources it has already.
 *
 * Done before anything is sent a second time: a conditional create alone does not keep copies
 * single, since receivers race with themselves and some forget after a while.
 */
import { isSuccess, setbackOf, type Setback } from './classify.ts';
import type { Ehr } from './ehr-client.ts';
import { identityValueIn, searchFor, type ForwardedType, type Identity } from './identity.ts';
import { readSearchset } from './transaction-answer.ts';

export type LookUp =
  | {
      readonly kind: 'found';
      /** `Observation/123` at the EHR, by the value of our identifier. */
      readonly places: ReadonlyMap<string, string>;
    }
  | Setback;

/** One search for each type among the identities; the first setback ends it. */
export async function lookUp(ehr: Ehr, identities: readonly Identity[], requestId: string, stop?: AbortSignal): Promise<LookUp> {
  const places = new Map<string, string>();
  for (const type of ['Observation', 'Provenance'] as const) {
    const [first, ...rest] = identities.filter((identity) => identity.type === type);
    if (first === undefined) continue;
    const setback = await lookUpType(ehr, type, [first, ...rest], places, requestId, stop);
    if (setback !== undefined) return setback;
  }
  return { kind: 'found', places };
}

async function lookUpType(
  ehr: Ehr,
  type: ForwardedType,
  identities: readonly [Identity, ...Identity[]],
  places: Map<string, string>,
  requestId: string,
  stop: AbortSignal | undefined,
): Promise<Setback | undefined> {
  const reply = await ehr.search(type, searchFor(identities), requestId, stop);
  if (reply.kind !== 'answer' || !isSuccess(reply.status)) {
    const setback = setbackOf(reply);
    // a search has no content of ours that could be refused: it is the EHR that cannot be asked
    return setback.kind === 'permanent'
      ? { ...setback, kind: 'destination', reason: `the EHR refuses the look-up (status ${setback.status})` }
      : setback;
  }
  const resources = readSearchset(reply.text);
  if (resources === undefined) return { kind: 'unclear', reason: 'the EHR answered a look-up without a searchset', status: reply.status };
  const wanted = new Set(identities.map(({ value }) => value));
  for (const resource of resources) {
    const value = identityValueIn(type, resource);
    if (resource['resourceType'] !== type || typeof resource['id'] !== 'string' || value === undefined || !wanted.has(value)) {
      return { kind: 'unclear', reason: 'the EHR answered a look-up with resources that were not asked for', status: reply.status };
    }
    if (places.has(value))
      return { kind: 'permanent', reason: `the EHR holds several resources of one identifier of ours (${type})`, status: reply.status };
    places.set(value, `${type}/${resource['id']}`);
  }
  return undefined;
}

/**
 * Finds the copy of a reading that was sent before its store was restored, and comes again under
 * another id of ours: by what its gateway calls it; else by what it says, since another gateway may
 * have heard the same press, or the gateway may give no identifier. Where that says too little (a person
 * known by an identifier alone, a day without a time, an EHR that serves no such search) it would be doubled.
 */
import { isJsonObject, stringifyExact, type JsonObject } from '../core/json.ts';
import { OURS } from '../core/terminology.ts';
import type { StoreReader } from '../ports.ts';
import type { Setback } from './classify.ts';
import { codingsOf, differencesOf, objectsIn } from './copy-differences.ts';
import type { Ehr } from './ehr-client.ts';
import { escapeToken, identityValuesIn } from './identity.ts';
import { foundCopyOf, foundIn, severalOf, type FoundCopy } from './look-up.ts';
import type { GatheredResource } from './outgoing-item.ts';

export interface Asking {
  /** Sent as `X-Request-Id`. */
  readonly requestId: string;
  readonly stop: AbortSignal;
}

type Lost = { readonly kind: 'found'; readonly copy: FoundCopy | undefined } | Setback;

const NOTHING: Lost = { kind: 'found', copy: undefined };

/** An EHR that does not serve a search says so with one of these: then there is no asking. */
const NOT_SERVED: readonly number[] = [400, 404, 405, 422, 501];

/** A literal reference to the person, and a time by the second: only these together tell one press from all others. */
const PERSON = /^Patient\/[A-Za-z0-9\-.]{1,64}$/;
const TO_THE_SECOND = /T\d\d:\d\d:\d\d/;

export async function findLostReading(
  { content }: Pick<GatheredResource, 'content'>,
  { ehr, read }: { readonly ehr: Ehr; readonly read: StoreReader },
  asking: Asking,
): Promise<Lost> {
  const found = await findBySender(content, ehr, asking);
  return found.kind === 'found' && found.copy === undefined ? findByPress(content, { ehr, read }, asking) : found;
}

async function findBySender(content: JsonObject, ehr: Ehr, { requestId, stop }: Asking): Promise<Lost> {
  const tokens = objectsIn(content['identifier']).flatMap(({ system, value }) =>
    typeof system === 'string' && typeof value === 'string' && system !== OURS.observationIdentifier
      ? [`${escapeToken(system)}|${escapeToken(value)}`]
      : [],
  );
  if (tokens.length === 0) return NOTHING;
  const form = new URLSearchParams({ identifier: tokens.join(','), _count: '10' }).toString();
  const found = foundIn(await ehr.searchByForm('Observation', form, requestId, stop), 'Observation');
  if (found.kind !== 'found') return found;
  // a gateway may give the weight and the height of one visit the same identifier
  const [only, another] = found.resources.filter((one) => isSameMeasure(one, content));
  if (another !== undefined || !found.isWhole) return severalOf('one identifier of the sender', 'Observation', found.status);
  return { kind: 'found', copy: only && foundCopyOf('Observation', only) };
}

/**
 * By person, measure, instant, device and value, as two deliveries of one press are known
 * (`core/fingerprint.ts`): a copy that bears an id of ours of which this store knows nothing. One that
 * was corrected since says something else, and is not found so.
 */
async function findByPress(
  content: JsonObject,
  { ehr, read }: { readonly ehr: Ehr; readonly read: StoreReader },
  { requestId, stop }: Asking,
): Promise<Lost> {
  const { subject, effectiveDateTime: date, code } = content;
  const person = isJsonObject(subject) ? subject['reference'] : undefined;
  const isFigure = objectsIn(content['derivedFrom']).length > 0;
  if (isFigure || typeof person !== 'string' || !PERSON.test(person)) return NOTHING;
  if (typeof date !== 'string' || !TO_THE_SECOND.test(date)) return NOTHING;
  const codes = codingsOf(code).map((coding) => coding.split('|').map(escapeToken).join('|'));
  const form = new URLSearchParams({ subject: person, code: codes.join(','), date, _count: '20' }).toString();
  const reply = await ehr.searchByForm('Observation', form, requestId, stop);
  if (reply.kind === 'answer' && NOT_SERVED.includes(reply.status)) return NOTHING;
  const found = foundIn(reply, 'Observation');
  if (found.kind !== 'found') return found;
  const lost: JsonObject[] = [];
  for (const one of found.resources) if (isSamePress(one, content) && (await isUnknown(one, read))) lost.push(one);
  const [only, another] = lost;
  if (another !== undefined || !found.isWhole) return severalOf('one press', 'Observation', found.status);
  return { kind: 'found', copy: only && foundCopyOf('Observation', only) };
}

function isSameMeasure(one: JsonObject, other: JsonObject): boolean {
  const codes = codingsOf(other['code']);
  return codingsOf(one['code']).some((coding) => codes.includes(coding));
}

function isSamePress(copy: JsonObject, content: JsonObject): boolean {
  return isSameMeasure(copy, content) && differencesOf(content, copy).length === 0 && textOf(copy['device']) === textOf(content['device']);
}

function textOf(value: JsonObject[string] | undefined): string {
  return value === undefined ? '' : stringifyExact(value);
}

/** Bears ids of ours, and none of them is that of a reading here. */
async function isUnknown(copy: JsonObject, read: StoreReader): Promise<boolean> {
  const ids = identityValuesIn('Observation', copy);
  const known = await Promise.all(ids.map((id) => read.current('Observation', id)));
  return ids.length > 0 && known.every((one) => one === undefined);
}

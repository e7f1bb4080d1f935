/**
 * Asks the EHR, by our identifiers, which of our resources it has already.
 *
 * Done before anything is sent a second time: a conditional create alone does not keep copies
 * single, since receivers race with themselves and some forget after a while.
 */
import { isJsonObject, type JsonObject } from '../core/json.ts';
import { isSuccess, setbackOf, type Setback } from './classify.ts';
import type { Ehr, EhrReply } from './ehr-client.ts';
import { identityValuesIn, searchFor, type ForwardedType, type Identity } from './identity.ts';
import { readResource } from './issue-types.ts';
import { isWholeSearchset, readSearchset } from './transaction-answer.ts';

/** A resource as the EHR keeps it now. */
export interface FoundCopy {
  /** `Observation/123` at the EHR. */
  readonly reference: string;
  readonly content: JsonObject;
  /** Absent when the EHR gives no versions. */
  readonly versionId?: string;
}

export type LookUp =
  | {
      readonly kind: 'found';
      /** By the value of our identifier. */
      readonly copies: ReadonlyMap<string, FoundCopy>;
    }
  | Setback;

/** Longer URLs are cut or refused by some servers: 8,000 octets ought to work (RFC 9110 section 4.1). */
const MOST_AT_ONCE = 20;

/** One search for each type among the identities, more when they are many; the first setback ends it. */
export async function lookUp(ehr: Ehr, identities: readonly Identity[], requestId: string, stop?: AbortSignal): Promise<LookUp> {
  const copies = new Map<string, FoundCopy>();
  for (const type of ['Observation', 'Provenance'] as const) {
    const asked = identities.filter((identity) => identity.type === type);
    for (let from = 0; from < asked.length; from += MOST_AT_ONCE) {
      const ask = (query: string): Promise<EhrReply> => ehr.search(type, query, requestId, stop);
      const setback = await lookUpSome(ask, type, asked.slice(from, from + MOST_AT_ONCE), copies);
      if (setback !== undefined) return setback;
    }
  }
  return { kind: 'found', copies };
}

async function lookUpSome(
  ask: (query: string) => Promise<EhrReply>,
  type: ForwardedType,
  identities: readonly Identity[],
  copies: Map<string, FoundCopy>,
): Promise<Setback | undefined> {
  const [first, ...rest] = identities;
  if (first === undefined) return undefined;
  const reply = await ask(`${searchFor([first, ...rest])}&_count=${2 * identities.length}`);
  const found = foundIn(reply, type);
  if (found.kind !== 'found') return found;
  if (!found.isWhole && rest.length > 0) {
    // an EHR with short pages: what is on the next one must not look like something that is not there
    const half = Math.ceil(identities.length / 2);
    return (
      (await lookUpSome(ask, type, identities.slice(0, half), copies)) ?? (await lookUpSome(ask, type, identities.slice(half), copies))
    );
  }
  const wanted = new Set(identities.map(({ value }) => value));
  const setback = keep(found, type, wanted, copies);
  if (setback !== undefined || found.isWhole) return setback;
  if (found.resources.length > 0) return severalOf(OUR_IDENTIFIER, type, found.status);
  return { kind: 'unclear', reason: 'the EHR did not return what a look-up found', status: found.status };
}

const OUR_IDENTIFIER = 'one identifier of ours';

/** Notes the copies of what was wanted. */
function keep(
  { resources, status }: Found,
  type: ForwardedType,
  wanted: ReadonlySet<string>,
  copies: Map<string, FoundCopy>,
): Setback | undefined {
  for (const content of resources) {
    const values = identityValuesIn(type, content).filter((value) => wanted.has(value));
    const copy = foundCopyOf(type, content);
    if (copy === undefined || values.length === 0)
      return { kind: 'unclear', reason: 'the EHR answered a look-up with resources that were not asked for', status };
    if (values.some((value) => copies.has(value))) return severalOf(OUR_IDENTIFIER, type, status);
    for (const value of values) copies.set(value, copy);
  }
  return undefined;
}

/** A person must see which of them is right. */
export function severalOf(what: string, type: ForwardedType, status: number): Setback {
  return { kind: 'permanent', reason: `the EHR holds several resources of ${what} (${type})`, status };
}

interface Found {
  readonly kind: 'found';
  readonly resources: readonly JsonObject[];
  /** False when there is a further page. */
  readonly isWhole: boolean;
  readonly status: number;
}

/** What a search found, or why that is not known. */
export function foundIn(reply: EhrReply, type: ForwardedType): Found | Setback {
  if (reply.kind !== 'answer' || !isSuccess(reply.status)) {
    const setback = setbackOf(reply);
    // a search has no content of ours that could be refused: it is the EHR that cannot be asked
    return setback.kind === 'permanent'
      ? { ...setback, kind: 'destination', reason: `the EHR refuses the look-up (status ${setback.status})` }
      : setback;
  }
  const { status, text } = reply;
  const resources = readSearchset(text);
  if (resources === undefined) return { kind: 'unclear', reason: 'the EHR answered a look-up without a searchset', status };
  if (resources.some(({ resourceType }) => resourceType !== type))
    return { kind: 'unclear', reason: 'the EHR answered a look-up with resources that were not asked for', status };
  return { kind: 'found', resources, isWhole: isWholeSearchset(text), status };
}

/** The copy at a place that is known; undefined when there is none any more. */
export async function readCopy(
  ehr: Ehr,
  reference: string,
  requestId: string,
  stop?: AbortSignal,
): Promise<{ readonly kind: 'found'; readonly copy: FoundCopy | undefined } | Setback> {
  const reply = await ehr.read(reference, requestId, stop);
  if (reply.kind !== 'answer') return setbackOf(reply);
  // RFC 9110 section 15.5.5 and 15.5.11; FHIR R4, RESTful API, read
  if (reply.status === 404 || reply.status === 410) return { kind: 'found', copy: undefined };
  if (!isSuccess(reply.status)) return setbackOf(reply);
  const content = readResource(reply.text);
  const copy = content && foundCopyOf(reference.startsWith('Provenance/') ? 'Provenance' : 'Observation', content);
  if (copy?.reference !== reference)
    return { kind: 'unclear', reason: 'the EHR answered a read with something else', status: reply.status };
  return { kind: 'found', copy };
}

/** Undefined for what has no id that can be referred to. */
export function foundCopyOf(type: ForwardedType, content: JsonObject): FoundCopy | undefined {
  const { id, meta } = content;
  const versionId = isJsonObject(meta) ? meta['versionId'] : undefined;
  if (content['resourceType'] !== type || typeof id !== 'string' || !ID.test(id)) return undefined;
  return { reference: `${type}/${id}`, content, ...(typeof versionId === 'string' && ID.test(versionId) && { versionId }) };
}

/** HL7 FHIR R4, Datatypes, id. */
const ID = /^[A-Za-z0-9\-.]{1,64}$/;

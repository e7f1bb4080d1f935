/**
 * Reads a `transaction-response` against what was sent, entry by entry.
 *
 * An outer 200 proves nothing: the answer must have as many entries, in our order (FHIR R4,
 * RESTful API, transaction response), each a success, each naming a place of the right type.
 * Anything less is "not proven", and then the EHR is asked what it has.
 */
import { isJsonObject, type JsonObject, type JsonValue } from '../core/json.ts';
import type { EhrCopy } from '../ports.ts';
import { differencesOf, objectsIn, type CopyElement } from './copy-differences.ts';
import { identityValueIn } from './identity.ts';
import { readResource } from './issue-types.ts';
import type { OutgoingEntry } from './outgoing-bundle.ts';

export type TransactionAnswer =
  | {
      readonly proven: true;
      readonly copies: readonly EhrCopy[];
      /** What the EHR says it keeps otherwise, where it returned what it keeps. */
      readonly altered: readonly CopyElement[];
    }
  | { readonly proven: false; readonly reason: string };

export function readTransactionAnswer(text: string | undefined, sent: readonly OutgoingEntry[]): TransactionAnswer {
  const bundle = readResource(text);
  if (bundle?.['resourceType'] !== 'Bundle' || bundle['type'] !== 'transaction-response') {
    return notProven('the EHR answered success without a transaction-response');
  }
  const answered = Array.isArray(bundle['entry']) ? bundle['entry'] : [];
  if (answered.length !== sent.length) return notProven(`the EHR answered ${answered.length} entries for ${sent.length}`);
  const copies: EhrCopy[] = [];
  const altered: CopyElement[] = [];
  for (const [index, entry] of sent.entries()) {
    const reference = proveEntry(entry, answered[index]);
    if (reference === undefined) return notProven(`entry ${index + 1} of the EHR's answer does not prove what was sent`);
    copies.push({ type: entry.type, id: entry.id, reference, version: entry.version });
    altered.push(...alteredIn(entry, answered[index]));
  }
  if (new Set(copies.map(({ reference }) => reference)).size !== copies.length) return notProven('the EHR named one place for two entries');
  return { proven: true, copies, altered };
}

function notProven(reason: string): TransactionAnswer {
  return { proven: false, reason };
}

/** Where the EHR keeps this entry; undefined unless its answer shows it. */
function proveEntry(sent: OutgoingEntry, answered: JsonValue | undefined): string | undefined {
  const response = isJsonObject(answered) ? answered['response'] : undefined;
  if (!isJsonObject(answered) || !isJsonObject(response)) return undefined;
  if (typeof response['status'] !== 'string' || !/^2\d\d\b/.test(response['status'])) return undefined;
  if (reportsAnError(response['outcome']) || !bearsItsIdentity(sent, answered['resource'])) return undefined;
  const reference = literalReference(sent.type, response['location']);
  if (sent.copyAt === undefined) return reference;
  // an update of a known place may leave the location out, never name another
  if (response['location'] === undefined) return typeof response['etag'] === 'string' ? sent.copyAt : undefined;
  return reference === sent.copyAt ? reference : undefined;
}

function reportsAnError(outcome: JsonValue | undefined): boolean {
  const issues = isJsonObject(outcome) ? objectsIn(outcome['issue']) : [];
  return issues.some(({ severity }) => severity === 'error' || severity === 'fatal');
}

function alteredIn({ type, content }: OutgoingEntry, answered: JsonValue | undefined): readonly CopyElement[] {
  const resource = isJsonObject(answered) ? answered['resource'] : undefined;
  if (type !== 'Observation' || !isJsonObject(resource) || resource['resourceType'] !== type) return [];
  return [...differencesOf(content, resource), ...(identityValueIn(type, resource) === undefined ? (['identifier'] as const) : [])];
}

/** Resources in the answer are optional; one that is there must be the one that was sent. */
function bearsItsIdentity(sent: OutgoingEntry, resource: JsonValue | undefined): boolean {
  if (!isJsonObject(resource) || resource['resourceType'] === 'OperationOutcome') return true;
  return resource['resourceType'] === sent.type && (identityValueIn(sent.type, resource) ?? sent.identity.value) === sent.identity.value;
}

/** `Observation/123` out of a relative or absolute location, version-specific or not. */
export function literalReference(type: string, location: JsonValue | undefined): string | undefined {
  if (typeof location !== 'string') return undefined;
  const match = /(?:^|\/)([A-Za-z]+)\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/[A-Za-z0-9\-.]{1,64})?$/.exec(location);
  return match?.[1] === type ? `${type}/${match[2]}` : undefined;
}

/** False when a search found more than it returned: a further page, or a total that is higher. */
export function isWholeSearchset(text: string | undefined): boolean {
  const bundle = readResource(text);
  if (bundle === undefined) return false;
  const { total } = bundle;
  const returned = objectsIn(bundle['entry']).filter(isMatch).length;
  return !objectsIn(bundle['link']).some(({ relation }) => relation === 'next') && !(Number(String(total)) > returned);
}

/**
 * The resources that a search found; undefined when the answer is no searchset, or one that cannot be
 * read in full: what is not seen there must not pass for something that is not there.
 */
export function readSearchset(text: string | undefined): readonly JsonObject[] | undefined {
  const bundle = readResource(text);
  if (bundle?.['resourceType'] !== 'Bundle' || bundle['type'] !== 'searchset') return undefined;
  const entries = bundle['entry'] ?? [];
  if (!Array.isArray(entries) || !entries.every(isJsonObject)) return undefined;
  const resources = entries.filter(isMatch).map(({ resource }) => resource);
  return resources.every((resource) => resource !== undefined && isJsonObject(resource)) ? resources : undefined;
}

function isMatch({ search }: JsonObject): boolean {
  return !isJsonObject(search) || (search['mode'] ?? 'match') === 'match';
}

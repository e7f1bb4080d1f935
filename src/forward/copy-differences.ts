/**
 * Does a copy at the EHR say what was sent? Compared is what a clinician would read off it, not how
 * it is written: an EHR may add, sort and reword.
 *
 * Pure. The names of what differs are all that ever leaves here; the values are a person's.
 */
import { isEqual, parseDecimal } from '../core/decimal.ts';
import { parseDateTime } from '../core/fhir-time.ts';
import { isJsonObject, type JsonObject, type JsonValue } from '../core/json.ts';

export type CopyElement = 'value' | 'unit' | 'subject' | 'effective' | 'status' | 'component' | 'identifier';

/** Some EHRs keep whole seconds. */
const CLOSE_MS = 1_000;

/**
 * What of an Observation the copy tells otherwise, each name once. Numbers are compared as exact
 * decimals: 70 is 70.0, and 70.1 is not 70.09. `identifier` is not among them, see `identity.ts`.
 */
export function differencesOf(sent: JsonObject, copy: JsonObject): readonly CopyElement[] {
  const differs: readonly (readonly [CopyElement, boolean])[] = [
    ['value', !isSameNumber(sent['valueQuantity'], copy['valueQuantity'])],
    ['unit', !isSameUnit(sent['valueQuantity'], copy['valueQuantity'])],
    ['subject', !isSameSubject(sent['subject'], copy['subject'])],
    ['effective', !isSameTime(sent, copy)],
    ['status', sent['status'] !== copy['status']],
    ['component', !objectsIn(sent['component']).every((one) => objectsIn(copy['component']).some((other) => isSameComponent(one, other)))],
  ];
  return differs.filter(([, is]) => is).map(([name]) => name);
}

function isSameNumber(sent: JsonValue | undefined, copy: JsonValue | undefined): boolean {
  const [one, other] = [sent, copy].map((quantity) => (isJsonObject(quantity) ? quantity['value'] : undefined));
  if (one === undefined || other === undefined) return one === other;
  const [a, b] = [parseDecimal(String(one)), parseDecimal(String(other))];
  return a !== undefined && b !== undefined && isEqual(a, b);
}

function isSameUnit(sent: JsonValue | undefined, copy: JsonValue | undefined): boolean {
  if (!isJsonObject(sent) || !isJsonObject(copy)) return isJsonObject(sent) === isJsonObject(copy);
  return sent['code'] === copy['code'] && sent['system'] === copy['system'] && sent['comparator'] === copy['comparator'];
}

/** An EHR may make a literal reference out of an identifier; whose it is cannot be told from here. */
function isSameSubject(sent: JsonValue | undefined, copy: JsonValue | undefined): boolean {
  if (!isJsonObject(sent) || !isJsonObject(copy)) return isJsonObject(sent) === isJsonObject(copy);
  const [one, other] = [literalOf(sent['reference']), literalOf(copy['reference'])];
  if (one !== undefined && other !== undefined) return one === other;
  const [mine, theirs] = [tokenOf(sent['identifier']), tokenOf(copy['identifier'])];
  return mine === undefined || theirs === undefined ? one === undefined && other !== undefined : mine === theirs;
}

/** `Patient/1` out of a relative or absolute reference, version-specific or not. */
function literalOf(reference: JsonValue | undefined): string | undefined {
  if (typeof reference !== 'string') return undefined;
  return /(?:^|\/)([A-Za-z]+\/[A-Za-z0-9\-.]{1,64})(?:\/_history\/[^/]+)?$/.exec(reference)?.[1] ?? reference;
}

function tokenOf(identifier: JsonValue | undefined): string | undefined {
  return isJsonObject(identifier) ? `${String(identifier['system'])}|${String(identifier['value'])}` : undefined;
}

function isSameTime(sent: JsonObject, copy: JsonObject): boolean {
  const [one, other] = [spanOf(sent), spanOf(copy)];
  return one.length === other.length && one.every((ms, at) => Math.abs(ms - (other[at] as number)) < CLOSE_MS);
}

/** First and last millisecond of what is known; times that cannot be read are left out. */
function spanOf({ effectiveDateTime, effectiveInstant, effectivePeriod }: JsonObject): readonly number[] {
  const { start, end } = isJsonObject(effectivePeriod) ? effectivePeriod : {};
  const times = [effectiveDateTime ?? effectiveInstant ?? start, end].map((text) =>
    typeof text === 'string' ? parseDateTime(text) : undefined,
  );
  return times.flatMap((time) => (time === undefined ? [] : [time.startMs, time.endMs]));
}

function isSameComponent(sent: JsonObject, copy: JsonObject): boolean {
  const codes = codingsOf(copy['code']);
  const isMeant = codingsOf(sent['code']).some((coding) => codes.includes(coding));
  return isMeant && isSameNumber(sent['valueQuantity'], copy['valueQuantity']) && isSameUnit(sent['valueQuantity'], copy['valueQuantity']);
}

/** `system|code` of each coding; the text of a concept that has none. */
export function codingsOf(concept: JsonValue | undefined): readonly string[] {
  if (!isJsonObject(concept)) return [];
  const codings = objectsIn(concept['coding']).map(({ system, code }) => `${String(system)}|${String(code)}`);
  return codings.length > 0 ? codings : [String(concept['text'])];
}

export function objectsIn(value: JsonValue | undefined): readonly JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}

/** What the checker reads out of Observations, as they are stored and as they are at the EHR. */
import { isJsonObject, stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { HELD_TAG, OURS, REPEAT_TAG } from '../../src/core/terminology.ts';
import { identityValueIn } from '../../src/forward/identity.ts';
import type { Received, StoredObservation, StoredVersion } from './evidence.ts';
import { GATEWAY_SYSTEM } from './gateway-plan.ts';

export function current({ versions }: StoredObservation): StoredVersion {
  const newest = versions.at(-1);
  if (newest === undefined) throw new RangeError('an Observation without a version');
  return newest;
}

/** The written digits of its value; empty when it has none. */
export function digitsIn({ valueQuantity }: JsonObject): string {
  return isJsonObject(valueQuantity) ? String(valueQuantity['value'] ?? '') : '';
}

export function statusOf(content: JsonObject): string {
  return String(content['status']);
}

export function isVoid(content: JsonObject): boolean {
  return statusOf(content) === 'entered-in-error';
}

export function isHeld(content: JsonObject): boolean {
  return hasTag(content, HELD_TAG.code);
}

/** Counts: neither waiting, nor withdrawn, nor the same press again. */
export function isAccepted(content: JsonObject): boolean {
  return !isHeld(content) && !isVoid(content) && !hasTag(content, REPEAT_TAG.code);
}

/** Whom it is of: `Patient/…`; empty when it does not say. */
export function subjectOf({ subject }: JsonObject): string {
  return isJsonObject(subject) ? String(subject['reference'] ?? '') : '';
}

export function isDerived(content: JsonObject): boolean {
  return Array.isArray(content['derivedFrom']) && gatewayIdentifiers(content).length === 0;
}

export function gatewayIdentifiers(content: JsonObject): readonly string[] {
  const list = Array.isArray(content['identifier']) ? content['identifier'].filter(isJsonObject) : [];
  return list.filter(({ system }) => system === GATEWAY_SYSTEM).map(({ value }) => String(value));
}

/** Our identity of what the EHR holds: an Observation's identifier, a Provenance's tag. */
export function identityAtEhr({ type, content }: Received): string | undefined {
  return type === 'Observation' || type === 'Provenance' ? identityValueIn(type, content) : undefined;
}

/** What was measured, of whom and when, in one text: the same for two copies of one reading. */
export function contentKey({ subject, code, effectiveDateTime, valueQuantity, derivedFrom, status }: JsonObject): string {
  // two figures of one visit may say the same and follow from different readings
  return stringifyExact({ subject, code, effectiveDateTime, valueQuantity, derivedFrom, ...(status === 'entered-in-error' && { status }) });
}

/** Everything that both sides must say alike: not ids, not references to Observations, which differ. */
export function substance(content: JsonObject): string {
  const { status, code, subject, effectiveDateTime, valueQuantity, device, component, method, bodySite, note } = content;
  return stringifyExact({ status, code, subject, effectiveDateTime, valueQuantity, device, component, method, bodySite, note });
}

function hasTag({ meta }: JsonObject, code: string): boolean {
  const tags = isJsonObject(meta) && Array.isArray(meta['tag']) ? meta['tag'].filter(isJsonObject) : [];
  return tags.some((tag) => tag['system'] === OURS.tagSystem && tag['code'] === code);
}

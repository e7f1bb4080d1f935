/**
 * What makes two deliveries the same reading: same person, measure, device, instant and value,
 * whatever identifiers and however many zeros they carry.
 *
 * Source: HL7 Personal Health Device guide, conditional create identifier (device, person, type
 * code, the device's own time); value and unit are added so that a correction is not a resend.
 */
import { toShortestText } from './decimal.ts';
import type { Reading } from './reading.ts';

/** Undefined for a reading without a value or a length in its place. A day without a time counts as that day. */
export function fingerprintOf(reading: Reading): string | undefined {
  const { limb, effective } = reading;
  const quantity = reading.quantity ?? limb?.length;
  if (quantity === undefined) return undefined;
  return [
    reading.person,
    reading.of,
    reading.basis,
    reading.device ?? '',
    effective.precision,
    String(effective.startMs),
    toShortestText(quantity.value),
    quantity.unit,
    ...(limb ? [limb.estimate] : []),
  ].join('\u0000');
}

/** A sender's identifier, which stays with its reading even when a correction leaves it out. */
export function identifierKeyOf(system: string, value: string): string {
  return ['identifier', system, value].join('\u0000');
}

/** The same with the status, to tell a resend under one identifier from a changed content. */
export function contentFingerprintOf(reading: Reading): string {
  const { limb, effective, status } = reading;
  const quantity = reading.quantity ?? limb?.length;
  const value = quantity ? `${toShortestText(quantity.value)}\u0000${quantity.unit}${limb ? `\u0000${limb.estimate}` : ''}` : '';
  const time = `${effective.startMs}-${effective.endMs}`;
  return ['content', reading.person, reading.of, reading.basis, reading.device ?? '', time, value, status].join('\u0000');
}

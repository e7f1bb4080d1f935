/**
 * An invented day as a recording: NDJSON, a Bundle with people and scales on its first line and then
 * one Observation a line, in the order of sending. The Bundle says that all of it is invented, and
 * when it was recorded.
 */
import { stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { copiesOf } from './storm.ts';
import type { Registration, WardDay } from './ward-day.ts';

export const RECORDING_IDENTIFIERS = 'https://harbourlight.example/recording';

/** As many entries as the service takes in one Bundle. */
const MOST_ENTRIES = 1000;

export interface Occasion {
  /** Said of the recording, behind "invented". */
  readonly name: string;
  readonly recordedMs: number;
  readonly copies: number;
}

/** Lines without their endings. A correction is the corrected Observation itself, with its identifier. */
export function* recordingOf(day: WardDay, occasion: Occasion): Generator<string> {
  for (let from = 0; from < day.registrations.length; from += MOST_ENTRIES)
    yield stringifyExact(bundleOf(day.registrations.slice(from, from + MOST_ENTRIES), occasion));
  for (const reading of day.readings) for (const { body } of copiesOf(reading, occasion.copies)) yield stringifyExact(body);
}

function bundleOf(registrations: readonly Registration[], { name, recordedMs }: Occasion): JsonObject {
  return {
    resourceType: 'Bundle',
    identifier: { system: RECORDING_IDENTIFIERS, value: `invented people and scales: ${name}` },
    type: 'batch',
    timestamp: new Date(recordedMs).toISOString(),
    entry: registrations.map(({ path, body }) => ({ resource: body, request: { method: 'PUT', url: path } })),
  };
}

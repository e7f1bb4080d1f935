/**
 * A recorded reading as if it had been measured at another time: the same span is added to every
 * time of measuring. Identifiers, birth dates, references and all else stay as they were recorded.
 */
import { DAY_MS, parseDateTime } from '../../core/fhir-time.ts';
import { isJsonObject, type JsonObject, type JsonValue } from '../../core/json.ts';

/** Elements of an Observation that say when it was measured or given out, and of a Bundle when it was made. */
const TIMES = ['effectiveDateTime', 'effectiveInstant', 'issued'] as const;

/** @param byMs what is added; may be negative. A date without a time is moved by whole days, rounded down. */
export function shifted(resource: JsonObject, byMs: number): JsonObject {
  if (resource['resourceType'] === 'Observation') return shiftedReading(resource, byMs);
  const entries = resource['entry'];
  return {
    ...resource,
    ...timesOf(resource, ['timestamp'], byMs),
    ...(Array.isArray(entries) && { entry: entries.map((entry) => shiftedEntry(entry, byMs)) }),
  };
}

function shiftedEntry(entry: JsonValue, byMs: number): JsonValue {
  if (!isJsonObject(entry) || !isJsonObject(entry['resource']) || entry['resource']['resourceType'] !== 'Observation') return entry;
  return { ...entry, resource: shiftedReading(entry['resource'], byMs) };
}

function shiftedReading(reading: JsonObject, byMs: number): JsonObject {
  const period = reading['effectivePeriod'];
  return {
    ...reading,
    ...timesOf(reading, TIMES, byMs),
    ...(isJsonObject(period) && { effectivePeriod: { ...period, ...timesOf(period, ['start', 'end'], byMs) } }),
  };
}

function timesOf(holder: JsonObject, names: readonly string[], byMs: number): JsonObject {
  return Object.fromEntries(
    names.flatMap((name) => {
      const written = holder[name];
      return typeof written === 'string' ? [[name, shiftedTime(written, byMs)] as const] : [];
    }),
  );
}

/**
 * The time so much later, written as it was: with the same offset, and as many digits of a second.
 * What is no date or time that FHIR knows stays as it is, so that a fault in the recording stays one.
 */
export function shiftedTime(written: string, byMs: number): string {
  const time = parseDateTime(written);
  if (time === undefined) return written;
  if (time.precision === 'day') return new Date(time.startMs + Math.floor(byMs / DAY_MS) * DAY_MS).toISOString().slice(0, 10);
  const [, fraction = '', zone = 'Z'] = /(?:\.(\d+))?(Z|[+-]\d{2}:\d{2})$/.exec(written) ?? [];
  const [hours = 0, minutes = 0] = zone === 'Z' ? [] : zone.slice(1).split(':').map(Number);
  const offsetMs = (zone.startsWith('-') ? -1 : 1) * (hours * 60 + minutes) * 60_000;
  // whole seconds, so that the digits behind them stay as they were written
  const wholeMs = Math.floor(byMs / 1000) * 1000;
  const local = new Date(Math.floor(time.startMs / 1000) * 1000 + wholeMs + offsetMs).toISOString().slice(0, 19);
  return `${local}${fraction === '' ? '' : `.${fraction}`}${zone}`;
}

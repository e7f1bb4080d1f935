/**
 * HL7 v2 times (DTM, and the first component of TS) as FHIR dateTimes, to the precision that was
 * written and with an offset that somebody stated.
 */

import { isCalendarDate } from '../core/fhir-time.ts';

/** HL7 v2.5.1 section 2.A.22: YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ]. */
const DTM = /^(\d{4})(?:(\d{2})(?:(\d{2})(?:(\d{2})(?:(\d{2})(?:(\d{2})(\.\d{1,4})?)?)?)?)?)?([+-]\d{4})?$/;

export type Dated = { readonly ok: true; readonly dateTime: string } | { readonly ok: false; readonly problem: string };

export interface Offsets {
  /** `+0100`, of MSH-7: it "will be used throughout the message as the default time zone" (HL7 v2, MSH-7). */
  readonly ofMessage?: string;
  /** IANA time zone of the gateway, for senders who state none. */
  readonly zone?: string;
}

/**
 * A day, month or year has no offset in FHIR, and needs none. A time of day that has none of its
 * own, none of its message and none by the gateway's zone is given back without: the rules refuse
 * it in their own words, as they do for FHIR.
 */
export function toDateTime(text: string, { ofMessage, zone }: Offsets): Dated {
  const match = DTM.exec(text);
  if (!match)
    return { ok: false, problem: 'The time is not written as HL7 v2 writes it. Send YYYYMMDDHHMMSS with an offset such as +0100.' };
  const [, year = '', month, day, hour, minute, second, fraction, own] = match;
  const date = [year, month, day].filter((part) => part !== undefined).join('-');
  if (!isCalendarDate(date))
    return { ok: false, problem: 'The day is in no calendar. Set the clock of the scale or gateway, then send again.' };
  if (hour === undefined) return { ok: true, dateTime: date };
  if (minute === undefined)
    return { ok: false, problem: 'The time has hours but no minutes. Send YYYYMMDDHHMMSS with an offset such as +0100.' };
  // FHIR has no minutes without seconds, and lets them be filled with zeros (R4, Datatypes, dateTime)
  const local = `${date}T${hour}:${minute}:${second ?? '00'}${fraction ?? ''}`;
  const stated = own ?? ofMessage;
  if (stated !== undefined) return { ok: true, dateTime: local + withColon(stated) };
  if (zone === undefined) return { ok: true, dateTime: local };
  const offsets = offsetsIn(zone, `${date}T${hour}:${minute}:${second ?? '00'}`);
  const [offset] = offsets;
  if (offset === undefined || offsets.length > 1)
    return {
      ok: false,
      problem: 'The clocks of the gateway were changed at that hour, so the time is there twice or not at all. Send it with its offset.',
    };
  return { ok: true, dateTime: local + offset };
}

/** The offset of MSH-7, if it states one. */
export function offsetOf(dtm: string): string | undefined {
  return DTM.exec(dtm)?.[8];
}

function withColon(offset: string): string {
  return `${offset.slice(0, 3)}:${offset.slice(3)}`;
}

const MINUTE_MS = 60_000;
/** No place was ever further from UTC than 14 hours, nor moved its clocks by more than a day. */
const DAY_MS = 86_400_000;

/** Every offset under which the clocks of a zone showed this local time: one, none, or two. */
function offsetsIn(zone: string, local: string): string[] {
  const asUtc = Date.parse(`${local}Z`);
  if (Number.isNaN(asUtc)) return [];
  const around = [asUtc - DAY_MS, asUtc, asUtc + DAY_MS].map((instant) => minutesAhead(zone, instant));
  return [...new Set(around)].filter((minutes) => minutesAhead(zone, asUtc - minutes * MINUTE_MS) === minutes).map(toOffset);
}

/** How far the clocks of a zone are ahead of UTC at an instant. */
function minutesAhead(zone: string, instantMs: number): number {
  const parts = new Intl.DateTimeFormat('en-GB', {
    timeZone: zone,
    hourCycle: 'h23',
    year: 'numeric',
    month: '2-digit',
    day: '2-digit',
    hour: '2-digit',
    minute: '2-digit',
    second: '2-digit',
  }).formatToParts(instantMs);
  const part = (type: Intl.DateTimeFormatPartTypes): string => parts.find((one) => one.type === type)?.value ?? '';
  const shown = `${part('year')}-${part('month')}-${part('day')}T${part('hour')}:${part('minute')}:${part('second')}Z`;
  return Math.round((Date.parse(shown) - instantMs) / MINUTE_MS);
}

function toOffset(minutes: number): string {
  const [hours, rest] = [Math.floor(Math.abs(minutes) / 60), Math.abs(minutes) % 60];
  return `${minutes < 0 ? '-' : '+'}${String(hours).padStart(2, '0')}:${String(rest).padStart(2, '0')}`;
}

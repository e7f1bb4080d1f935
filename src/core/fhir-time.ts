/**
 * FHIR dateTimes as instants and calendar days. Pure: "now" always comes from outside.
 *
 * `new Date('2026-02-30')` is 2 March in JavaScript; here it is no date at all.
 */

/** When something was measured. A day without a time spans that whole day in UTC. */
export interface Effective {
  /** As written, offset and all. */
  readonly text: string;
  readonly startMs: number;
  readonly endMs: number;
  readonly precision: 'day' | 'time';
}

const DATE_TIME = /^(\d{4})-(\d{2})-(\d{2})(?:T(\d{2}):(\d{2}):(\d{2})(?:\.(\d{1,9})\d*)?(Z|[+-]\d{2}:\d{2}))?$/;

export const DAY_MS = 86_400_000;
export const HOUR_MS = 3_600_000;

/** `Date.UTC`, which would read the years 0 to 99 as 1900 to 1999. */
function midnightOf(year: number, month: number, day: number): number {
  return new Date(0).setUTCFullYear(year, month - 1, day);
}

function daysInMonth(year: number, month: number): number {
  return new Date(midnightOf(year, month + 1, 0)).getUTCDate();
}

/** True when year, month and day exist in the calendar; a bare year or month may be given. */
export function isCalendarDate(text: string): boolean {
  const match = /^(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?(?:T|$)/.exec(text);
  if (!match) return false;
  const [year, month, day] = [Number(match[1]), Number(match[2] ?? '1'), Number(match[3] ?? '1')];
  return year > 0 && month >= 1 && month <= 12 && day >= 1 && day <= daysInMonth(year, month);
}

/**
 * Reads a dateTime that is precise to the day or finer; undefined for anything coarser, without
 * an offset, or not in the calendar. Second 60 is read as the last instant of its minute.
 */
export function parseDateTime(text: string): Effective | undefined {
  const match = DATE_TIME.exec(text);
  if (!match || !isCalendarDate(text)) return undefined;
  const [, year, month, day, hour, minute, second, fraction, zone] = match;
  const midnight = midnightOf(Number(year), Number(month), Number(day));
  if (hour === undefined) return { text, startMs: midnight, endMs: midnight + DAY_MS - 1, precision: 'day' };
  if (Number(hour) > 23 || Number(minute) > 59 || Number(second) > 60) return undefined;
  const offset = offsetMinutes(zone as string);
  if (offset === undefined) return undefined;
  const leap = Number(second) === 60;
  const milliseconds = leap ? 59_999 : Number(second) * 1000 + Number((fraction ?? '').padEnd(3, '0').slice(0, 3));
  const at = midnight + (Number(hour) * 60 + Number(minute) - offset) * 60_000 + milliseconds;
  return { text, startMs: at, endMs: at, precision: 'time' };
}

/** FHIR R4, Datatypes, dateTime: offsets run from -14:00 to +14:00. */
function offsetMinutes(zone: string): number | undefined {
  if (zone === 'Z') return 0;
  const [hours = 0, minutes = 0] = zone.slice(1).split(':').map(Number);
  if (hours > 14 || minutes > 59 || (hours === 14 && minutes > 0)) return undefined;
  return (zone.startsWith('-') ? -1 : 1) * (hours * 60 + minutes);
}

/** A birth date may be known to the year or month only, so an age is a span of days. */
export interface Age {
  readonly youngestDays: number;
  readonly oldestDays: number;
  readonly youngestMonths: number;
  readonly oldestMonths: number;
}

/**
 * Completed age at an instant (UTC calendar), counted exactly over months of unequal length.
 * Undefined when `birthDate` is no FHIR date. Negative when born after that day.
 */
export function ageAt(birthDate: string, atMs: number): Age | undefined {
  const match = /^(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?$/.exec(birthDate);
  if (!match || !isCalendarDate(birthDate)) return undefined;
  const year = Number(match[1]);
  const [firstMonth, lastMonth] = match[2] ? [Number(match[2]), Number(match[2])] : [1, 12];
  const [firstDay, lastDay] = match[3] ? [Number(match[3]), Number(match[3])] : [1, daysInMonth(year, lastMonth)];
  const earliest = midnightOf(year, firstMonth, firstDay);
  const latest = midnightOf(year, lastMonth, lastDay);
  return {
    youngestDays: Math.floor((atMs - latest) / DAY_MS),
    oldestDays: Math.floor((atMs - earliest) / DAY_MS),
    youngestMonths: completedMonths(latest, atMs),
    oldestMonths: completedMonths(earliest, atMs),
  };
}

function completedMonths(bornMs: number, atMs: number): number {
  const born = new Date(bornMs);
  const at = new Date(atMs);
  const months = (at.getUTCFullYear() - born.getUTCFullYear()) * 12 + at.getUTCMonth() - born.getUTCMonth();
  return at.getUTCDate() < born.getUTCDate() ? months - 1 : months;
}

/** An instant for FHIR, in UTC with milliseconds. */
export function toInstant(ms: number): string {
  return new Date(ms).toISOString();
}

/**
 * The time of day at which somebody was measured, by the clock on the ward's wall: what "the same
 * time of day" is about. Pure: the time zone rules are those of the running JavaScript (ICU).
 */
import type { Effective } from './fhir-time.ts';

const MINUTES_A_DAY = 1440;

/** `as-written`, or a name of the IANA Time Zone Database that this system knows. */
export function isTimeZone(name: string): boolean {
  if (name === 'as-written') return true;
  try {
    return clockOf(name) !== undefined;
  } catch {
    return false;
  }
}

const clocks = new Map<string, Intl.DateTimeFormat>();

function clockOf(timeZone: string): Intl.DateTimeFormat {
  const known = clocks.get(timeZone);
  if (known) return known;
  const made = new Intl.DateTimeFormat('en-GB', { timeZone, hour: '2-digit', minute: '2-digit', hourCycle: 'h23' });
  clocks.set(timeZone, made);
  return made;
}

/**
 * Minutes after midnight on the ward's clock, daylight saving and all; undefined for a day
 * without a time.
 *
 * @param timeZone `as-written` takes the clock that the reading was written by
 */
export function minuteOfDay({ text, startMs, precision }: Effective, timeZone: string): number | undefined {
  if (precision === 'day') return undefined;
  if (timeZone === 'as-written') return Number(text.slice(11, 13)) * 60 + Number(text.slice(14, 16));
  const [hour = '', minute = ''] = clockOf(timeZone).format(startMs).split(':');
  return Number(hour) * 60 + Number(minute);
}

/** How far apart two times of day are, at most twelve hours: 23:50 and 00:10 are 20 minutes apart. */
export function minutesApart(one: number, other: number): number {
  const apart = Math.abs(one - other);
  return Math.min(apart, MINUTES_A_DAY - apart);
}

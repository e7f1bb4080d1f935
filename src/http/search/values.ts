/**
 * Values of search parameters: tokens, references, dates (HL7 FHIR R4, Search, section 3.1.1.4).
 * Pure. Each throws ServiceError ERR_BAD_VALUE or ERR_NOT_SUPPORTED and never repeats the value.
 */
import { isCalendarDate, parseDateTime } from '../../core/fhir-time.ts';
import type { Comparator, DateBound, InstantBound, Token } from '../../ports.ts';
import { badParameter, unservedParameter } from './refusals.ts';

const LONGEST_LIST = 200;
const ID = /^[A-Za-z0-9.-]{1,64}$/;

function bad(name: string, message: string): never {
  throw badParameter(name, message);
}

/** Values between commas, any of which may match. `\,` is a comma within a value. */
export function alternatives(name: string, text: string): string[] {
  const parts = [''];
  for (const [piece] of text.matchAll(/\\.|[^\\]|\\/gs)) {
    const last = parts.at(-1) ?? '';
    if (piece === ',') parts.push('');
    else parts.splice(-1, 1, last + piece);
  }
  if (parts.includes('')) bad(name, 'has an empty value.');
  if (parts.length > LONGEST_LIST) bad(name, `lists more than ${LONGEST_LIST} values.`);
  return parts;
}

/** `\,` `\|` `\$` `\\` are the characters themselves. */
function unescape(text: string): string {
  return text.replace(/\\([,|$\\])/g, '$1');
}

/** `system|code`, `|code` (no system at all: `system` is empty), `code` (any system). */
export function token(name: string, text: string): Token {
  const match = /^((?:\\.|[^|\\])*)\|((?:\\.|[^|\\])*)$/.exec(text);
  const [system, value] = match ? [match[1], match[2]] : [undefined, text];
  if (!match && /(?<!\\)\|/.test(text)) bad(name, 'has more than one bar. Write system|code.');
  if (value === undefined || value === '') bad(name, 'gives a system without a code. Write system|code.');
  return { value: unescape(value), ...(system !== undefined && { system: unescape(system) }) };
}

/** A token that names both sides, as an identifier of a person must. */
export function fullIdentifier(name: string, text: string): Required<Token> {
  const { system, value } = token(name, text);
  if (system === undefined || system === '') bad(name, 'needs system and value. Write system|value.');
  return { system, value };
}

export function resourceId(name: string, text: string): string {
  if (!ID.test(text)) bad(name, 'is no resource id.');
  return text;
}

/** The id in `id`, `Type/id` or `{our base}/Type/id`; other hosts and types have no match here. */
export function referenceId(name: string, text: string, type: string, baseUrl: string): string {
  const local = text.startsWith(`${baseUrl}/`) ? text.slice(baseUrl.length + 1) : text;
  const id = local.startsWith(`${type}/`) ? local.slice(type.length + 1) : local;
  if (!ID.test(id)) bad(name, `must be an id or ${type}/id under this base.`);
  return id;
}

const SEARCH_DATE =
  /^(?:(eq|ne|gt|lt|ge|le|sa|eb|ap))?([1-9]\d{3}(?:-\d{2}(?:-\d{2})?)?)(?:T(\d{2}:\d{2})(?::(\d{2})(?:\.(\d{1,9}))?)?(Z|[+-]\d{2}:\d{2})?)?$/;

/**
 * A date with a prefix, as the interval that it spans: `2026-03` is the whole month in UTC. A
 * time without an offset is UTC.
 */
export function searchDate(name: string, text: string): DateBound & InstantBound {
  // a plus sign that was not percent-encoded arrives as a blank
  const match = SEARCH_DATE.exec(text.length > 50 ? '' : text.replace(/ (?=\d{2}:\d{2}$)/, '+'));
  if (!match) bad(name, 'is no date. Write 2026-03-01 or 2026-03-01T08:00:00Z, with eq, ne, gt, lt, ge, le, sa or eb before it.');
  const [, prefix = 'eq', day = '', minute, second, fraction = '', zone = 'Z'] = match;
  if (prefix === 'ap') throw unservedParameter(name, 'cannot be approximate. Give a range with ge and le.');
  const comparator = prefix as Comparator;
  if (!isCalendarDate(day)) bad(name, 'is not in the calendar.');
  if (minute === undefined) return { comparator, ...daySpan(day) };

  const whole = parseDateTime(`${day}T${minute}:${second ?? '00'}${zone}`);
  if (!whole || second === '60') bad(name, 'is no time of day.');
  const startSecond = whole.startMs;
  const endSecond = second === undefined ? startSecond + 59_000 : startSecond;
  return { comparator, ...span(startSecond, endSecond, second === undefined ? '' : fraction.slice(0, 6)) };
}

function daySpan(day: string): ReturnType<typeof span> {
  const [year = 0, month, date] = day.split('-').map(Number);
  const start = Date.UTC(year, (month ?? 1) - 1, date ?? 1);
  const next = Date.UTC(
    month === undefined ? year + 1 : year,
    month === undefined ? 0 : date === undefined ? month : month - 1,
    (date ?? 0) + 1,
  );
  return span(start, next - 1000, '');
}

/** From the first second and the last one, each with the fraction filled up with zeros or nines. */
function span(startSecondMs: number, endSecondMs: number, fraction: string): Omit<DateBound & InstantBound, 'comparator'> {
  const first = fraction.padEnd(6, '0');
  const last = fraction.padEnd(6, '9');
  return {
    startMs: startSecondMs + Number(first.slice(0, 3)),
    endMs: endSecondMs + Number(last.slice(0, 3)),
    start: instant(startSecondMs, first),
    end: instant(endSecondMs, last),
  };
}

function instant(secondMs: number, microseconds: string): string {
  return new Date(secondMs).toISOString().replace(/\.\d{3}Z$/, `.${microseconds}Z`);
}

/** Amounts, times and spans as the pages write them: a number never stands without its unit. */
import { decimal, divideHalfUp, toShortestText, type Decimal } from '../core/decimal.ts';
import { inBaseUnit, type Quantity, type UnitCode } from '../core/quantity.ts';
import type { Measured } from '../core/terminology.ts';
import type { Effective } from '../core/fhir-time.ts';

/** Between a number and its unit: the two are never torn apart at the end of a line. */
const NBSP = '\u00a0';

/** Units as they stand on a scale's display. */
export const UNIT_WORDS: Readonly<Record<UnitCode, string>> = { kg: 'kg', g: 'g', '[lb_av]': 'lb', cm: 'cm', '[in_i]': 'in' };

/** The digits as they were written, with the unit: `70.0 kg`. */
export function amount({ text, unit }: Pick<Quantity, 'text' | 'unit'>): string {
  return `${text}${NBSP}${UNIT_WORDS[unit]}`;
}

/** In kilograms or centimetres with one decimal, rounded half up: `83.1 kg`. */
export function inBase(value: Decimal, of: Measured): string {
  return withUnit(oneDecimal(value), of === 'weight' ? 'kg' : 'cm');
}

export function withUnit(text: string, unit: string): string {
  return `${text}${NBSP}${unit}`;
}

/** As it was written, and what it comes to where that is another unit: `183.2 lb (83.1 kg)`. */
export function amountInFull(quantity: Quantity, of: Measured): string {
  const isBase = quantity.unit === 'kg' || quantity.unit === 'cm';
  return isBase ? amount(quantity) : `${amount(quantity)} (${inBase(inBaseUnit(quantity), of)})`;
}

function oneDecimal(value: Decimal): string {
  const rounded = divideHalfUp(value, decimal('1'), 1);
  const text = toShortestText(rounded);
  return text.includes('.') ? text : `${text}.0`;
}

export const MEASURE_WORDS: Readonly<Record<Measured, string>> = { weight: 'Weight', height: 'Height' };

/** In whose time a page writes: a zone of the IANA database, or `as-written` by the sender's own clock. */
export type Zone = string;

const FORMATS = new Map<string, Intl.DateTimeFormat>();

function formatIn(timeZone: string): Intl.DateTimeFormat {
  const known = FORMATS.get(timeZone);
  if (known) return known;
  const made = new Intl.DateTimeFormat('en-GB', {
    timeZone,
    day: 'numeric',
    month: 'short',
    year: 'numeric',
    hour: '2-digit',
    minute: '2-digit',
    hourCycle: 'h23',
  });
  FORMATS.set(timeZone, made);
  return made;
}

/** `1 Dec 2026, 12:19`; with `UTC` behind it where no zone of the ward is set. */
export function moment(ms: number, zone: Zone): string {
  return zone === 'as-written' ? `${formatIn('UTC').format(ms)} UTC` : formatIn(zone).format(ms);
}

/** `12:45:10`, with `UTC` behind it where no zone of the ward is set. */
export function clockTime(ms: number, zone: Zone): string {
  const timeZone = zone === 'as-written' ? 'UTC' : zone;
  const text = new Intl.DateTimeFormat('en-GB', {
    timeZone,
    hour: '2-digit',
    minute: '2-digit',
    second: '2-digit',
    hourCycle: 'h23',
  }).format(ms);
  return zone === 'as-written' ? `${text} UTC` : text;
}

/** When it was measured, by the ward's clock or the sender's; a day stays a day. */
export function measuredAt({ text, startMs, precision }: Effective, zone: Zone): string {
  if (precision !== 'time') return dayOf(startMs, 'UTC');
  if (zone !== 'as-written') return moment(startMs, zone);
  const offset = /([+-])(\d\d):(\d\d)$/.exec(text);
  if (!offset) return moment(startMs, zone);
  const minutes = (Number(offset[2]) * 60 + Number(offset[3])) * (offset[1] === '-' ? -1 : 1);
  return formatIn('UTC').format(startMs + minutes * 60_000);
}

/** `1 Dec 2026`. */
export function dayOf(ms: number, zone: Zone): string {
  return (
    formatIn(zone === 'as-written' ? 'UTC' : zone)
      .format(ms)
      .split(',')[0] ?? ''
  );
}

/** `under 1 min`, `4 min`, `2 h 10 min`, `3 days`: how long something has been waiting. */
export function ageWords(ms: number): string {
  const minutes = Math.floor(Math.max(0, ms) / 60_000);
  if (minutes < 1) return withUnit('under 1', 'min');
  if (minutes < 60) return withUnit(String(minutes), 'min');
  const hours = Math.floor(minutes / 60);
  if (hours < 48)
    return minutes % 60 === 0 ? withUnit(String(hours), 'h') : `${withUnit(String(hours), 'h')} ${withUnit(String(minutes % 60), 'min')}`;
  return withUnit(String(Math.floor(hours / 24)), 'days');
}

/** A rule's words: what is so, and behind it, as their last sentence, what to do. */
export function factAndRemedy(sentence: string): { readonly fact: string; readonly remedy: string } {
  const sentences = plainUnits(sentence).split(/(?<=[.!?])\s+(?=[A-Z])/);
  const remedy = sentences.length > 1 ? (sentences.pop() ?? '') : '';
  return { fact: sentences.join(' '), remedy };
}

/** UCUM codes in a sentence of the rules, as they stand on a scale. */
export function plainUnits(text: string): string {
  return text.replaceAll('[lb_av]', 'lb').replaceAll('[in_i]', 'in');
}

export function plural(count: number, one: string, many = `${one}s`): string {
  return `${count} ${count === 1 ? one : many}`;
}

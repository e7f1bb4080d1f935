/**
 * Comma-separated values (RFC 4180) that a spreadsheet opens as text and numbers, and never as a
 * formula: a name that begins with an equals sign stays a name.
 *
 * Source: OWASP, "CSV Injection" (cells that begin with = + - @, tab or carriage return, and the
 * full-width forms of the first four) and ASVS 5.0.0, 1.2.10 (the null character too); a plain number
 * keeps its sign.
 */

/** With a byte order mark, by which spreadsheets know UTF-8. */
export function toCsv(heads: readonly string[], rows: readonly (readonly string[])[]): string {
  return `\ufeff${[heads, ...rows].map((cells) => cells.map(cell).join(',')).join('\r\n')}\r\n`;
}

const FORMULA = /^[\s\u00a0]*[=+\-@\t\r\n\0\uff1d\uff0b\uff0d\uff20]/;
const NUMBER = /^[+-]?\d+(?:\.\d+)?$/;

function cell(text: string): string {
  const safe = FORMULA.test(text) && !NUMBER.test(text) ? `'${text}` : text;
  return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

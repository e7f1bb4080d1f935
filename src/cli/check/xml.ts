/** XML 1.0 out of elements, well-formed whatever the texts in it hold. */

export interface Element {
  readonly name: string;
  readonly attributes?: Readonly<Record<string, string | number | undefined>>;
  readonly content?: string | readonly Element[];
}

/** What no XML 1.0 text may hold, not even as a reference (Extensible Markup Language 1.0, 5th edition, production 2, Char). */
const NO_CHARACTER = /[^\t\n\r\u0020-\uD7FF\uE000-\uFFFD\u{10000}-\u{10FFFF}]/gu;

const REFERENCES: Readonly<Record<string, string>> = { '&': '&amp;', '<': '&lt;', '>': '&gt;', '"': '&quot;', "'": '&apos;' };

/** A document of one root, two blanks a level. Names are taken as they are; everything else is escaped. */
export function toXml(root: Element): string {
  return `<?xml version="1.0" encoding="UTF-8"?>\n${lay(root, '')}`;
}

function lay({ name, attributes = {}, content }: Element, indent: string): string {
  const given = Object.entries(attributes).flatMap(([key, value]) =>
    value === undefined ? [] : [` ${key}="${inAttribute(String(value))}"`],
  );
  const open = `${indent}<${name}${given.join('')}`;
  if (content === undefined || content.length === 0) return `${open}/>\n`;
  if (typeof content === 'string') return `${open}>${escaped(content)}</${name}>\n`;
  return `${open}>\n${content.map((child) => lay(child, `${indent}  `)).join('')}${indent}</${name}>\n`;
}

function escaped(text: string): string {
  // a carriage return would be read as a line feed (section 2.11)
  return text
    .replaceAll(NO_CHARACTER, '\uFFFD')
    .replaceAll(/[&<>"']/g, (one) => REFERENCES[one] ?? one)
    .replaceAll('\r', '&#13;');
}

/** Line ends and tabs in an attribute would be read as blanks (section 3.3.3). */
function inAttribute(text: string): string {
  return escaped(text).replaceAll('\n', '&#10;').replaceAll('\t', '&#9;');
}

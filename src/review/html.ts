/**
 * HTML as a template: whatever is put in is text, escaped, unless it is HTML made here before. So a
 * name with markup in it stays a name, and nobody has to think of it.
 */

/** Escaped already. Only `html` makes it. */
export interface Html {
  readonly html: string;
}

type Part = Html | string | number | undefined | false | readonly Part[];

const ENTITIES: Readonly<Record<string, string>> = { '&': '&amp;', '<': '&lt;', '>': '&gt;', '"': '&quot;', "'": '&#39;' };

/** `html\`<p>${text}</p>\``. Lists are joined; what is undefined or false is left out. Attribute values are quoted by whoever writes the template. */
export function html(strings: TemplateStringsArray, ...parts: readonly Part[]): Html {
  return { html: strings.reduce((text, string, index) => `${text}${write(parts[index - 1])}${string}`) };
}

function write(part: Part): string {
  if (part === undefined || part === false) return '';
  if (isList(part)) return part.map(write).join('');
  if (typeof part === 'object') return part.html;
  return escapeHtml(String(part));
}

export function escapeHtml(text: string): string {
  return visible(text).replace(/[&<>"']/g, (character) => ENTITIES[character] ?? '');
}

function isList(part: Part): part is readonly Part[] {
  return Array.isArray(part);
}

/**
 * Control characters, and those that turn the direction of writing or take no room, by their code
 * point: a text that looks like another one is read by nobody (Unicode Technical Report 36,
 * "Bidirectional Text Spoofing").
 */
export function visible(text: string): string {
  return text.replace(
    /[\u0000-\u0008\u000b\u000c\u000e-\u001f\u007f-\u009f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb]/g,
    (character) => `[U+${character.charCodeAt(0).toString(16).toUpperCase().padStart(4, '0')}]`,
  );
}

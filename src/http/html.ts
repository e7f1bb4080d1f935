/** The few pieces of HTML that the pages for people are made of. Every text is escaped here. */
import { escapeHtml } from '../review/html.ts';

/** An element around a text. */
export function element(name: string, text: string): string {
  return `<${name}>${escapeHtml(text)}</${name}>`;
}

/** @param rows rows as HTML */
export function table(heads: readonly string[], rows: readonly string[]): string {
  const head = heads.map((text) => `<th scope="col">${escapeHtml(text)}</th>`).join('');
  return `<table class="list"><thead><tr>${head}</tr></thead><tbody>${rows.join('')}</tbody></table>`;
}

/** Each cell carries its column's head, for screens on which the head is not shown. */
export function cells(texts: readonly string[], heads: readonly string[] = []): string {
  const cell = (text: string, head: string | undefined): string =>
    `<td${head === undefined ? '' : ` data-head="${escapeHtml(head)}"`}>${escapeHtml(text)}</td>`;
  return texts.map((text, index) => cell(text, heads[index])).join('');
}

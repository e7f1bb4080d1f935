/** A text without what it ends in, in one pass: a regular expression for it looks at each run once more from every place in it. */
export function withoutTrailing(text: string, character: string): string {
  let end = text.length;
  while (end > 0 && text[end - 1] === character) end -= 1;
  return text.slice(0, end);
}

/** What the fields of a form say, whichever form it is. */

/** The text without blanks around it; empty when there is none. */
export function textOf(form: URLSearchParams, name: string): string {
  return form.get(name)?.trim() ?? '';
}

/** The version that the page showed; none fits a form that says none. */
export function versionIn(form: URLSearchParams): number {
  const version = Number(form.get('version'));
  return Number.isSafeInteger(version) && version > 0 ? version : 0;
}

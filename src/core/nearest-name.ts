/** What a misspelt name was probably meant to be. */

/** Nobody mistypes more than this of a name and still means it. */
const MOST_SLIPS = 3;
const LETTERS_A_SLIP = 4;
const LONGEST_NAME = 100;

/**
 * The known name that differs from `written` by the fewest slips: a letter left out, added,
 * replaced, or two neighbours exchanged (optimal string alignment distance; upper and lower case
 * are alike). Undefined when none is near: one slip for each four letters, three at most.
 */
export function nearestName(written: string, known: Iterable<string>): string | undefined {
  if (written.length > LONGEST_NAME) return undefined;
  const wanted = written.toLowerCase();
  let fewest = Math.min(MOST_SLIPS, Math.max(1, Math.floor(written.length / LETTERS_A_SLIP))) + 1;
  let nearest: string | undefined;
  for (const name of known) {
    if (Math.abs(name.length - written.length) >= fewest) continue;
    const slips = slipsBetween(wanted, name.toLowerCase());
    if (slips < fewest) [fewest, nearest] = [slips, name];
  }
  return nearest;
}

/** Row by row over the letters of `a`; each row holds the slips to every beginning of `b`. */
function slipsBetween(a: string, b: string): number {
  let beforeLast: number[] = [];
  let last = Array.from({ length: b.length + 1 }, (_, place) => place);
  for (let i = 1; i <= a.length; i += 1) {
    const row = [i];
    for (let j = 1; j <= b.length; j += 1) {
      const replaced = at(last, j - 1) + (a[i - 1] === b[j - 1] ? 0 : 1);
      const exchanged = a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1] ? at(beforeLast, j - 2) + 1 : Infinity;
      row.push(Math.min(at(last, j) + 1, at(row, j - 1) + 1, replaced, exchanged));
    }
    [beforeLast, last] = [last, row];
  }
  return at(last, b.length);
}

function at(row: readonly number[], place: number): number {
  return row[place] ?? Infinity;
}

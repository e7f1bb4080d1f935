/** What came of looking at one invariant. */
export interface Finding {
  readonly verdict: 'valid' | 'invalid' | 'unknown';
  /** How many things were looked at. */
  readonly looked: number;
  /** What is wrong, a sentence each, or why it is not known. */
  readonly found: readonly string[];
}

/** Valid only when something was looked at and nothing was found. */
export function looked(things: number, found: readonly string[]): Finding {
  if (found.length > 0) return { verdict: 'invalid', looked: things, found };
  return things === 0
    ? { verdict: 'unknown', looked: 0, found: ['there was nothing to look at'] }
    : { verdict: 'valid', looked: things, found };
}

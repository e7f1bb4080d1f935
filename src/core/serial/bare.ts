/** A reading as it is before the person's others are asked about it. */
import type { Reading } from '../reading.ts';

/** Without what an earlier judgement made of it. */
export function bare({
  held,
  repeatOf: _repeatOf,
  releasedBy: _releasedBy,
  comparison: _comparison,
  significant: _significant,
  ...reading
}: Reading): Reading {
  // stored before doubts were kept: what made it wait is not known, so only a decision releases it
  return { ...reading, held: false, ...(held && reading.doubts === undefined && { doubts: [NOT_KNOWN] }) };
}

const NOT_KNOWN = 'not-known';

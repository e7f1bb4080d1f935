/** How long a session of the pages lasts. */

/** Unused for so long it is over: a tablet that somebody left lets nobody else in. Common practice, no source. */
export const IDLE_MS = 15 * 60_000;

/** However it is used: a shift. Common practice, no source. */
export const LONGEST_MS = 10 * 60 * 60_000;

/** A use is written down only so often, so that idle time is measured up to this much too long, and nobody waits for a write at each click. */
export const NOTED_EVERY_MS = 60_000;

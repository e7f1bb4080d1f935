/** Intervals that searches compare with (HL7 FHIR R4, Search, section "Prefixes"). */

export type Comparator = 'eq' | 'ne' | 'lt' | 'le' | 'gt' | 'ge' | 'sa' | 'eb';
/** The query's own value is an interval (`2026-03` is a whole month): [startMs, endMs]. */
export interface DateBound {
  readonly comparator: Comparator;
  readonly startMs: number;
  readonly endMs: number;
}
export interface InstantBound {
  readonly comparator: Comparator;
  /** First and last instant of the query's value, as UTC text with six decimals. */
  readonly start: string;
  readonly end: string;
}

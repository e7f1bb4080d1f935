/** What every derived Observation has in common before it becomes one: its kind, inputs and words. */
import type * as fhir4 from 'fhir/r4.js';
import type { Exact } from '../json.ts';
import type { FigureKind, Reading } from '../reading.ts';
import type { Quantified } from '../terminology.ts';

export type DerivedKind = 'bmi' | FigureKind;

/** Members of the Observation that say what it is; all others follow from the reading it belongs to. */
export type Content = Pick<Exact<fhir4.Observation>, 'meta' | 'extension' | 'category' | 'code' | 'valueQuantity' | 'method' | 'component'>;

/** A derived Observation that ought to exist. */
export interface Draft {
  readonly kind: DerivedKind;
  /** The reading that it is a figure of, for whose time it holds: at most one of each kind. */
  readonly of: Reading;
  /** What it was computed from, that reading among them. */
  readonly inputs: readonly Reading[];
  readonly content: Content;
}

interface KindRow {
  /** A figure's id is this and the id of its reading, so that the same fact never gets two resources. */
  readonly prefix: string;
  /** The measure under which it is filed. */
  readonly about: Quantified;
}

/**
 * Prefixes are short: an id has at most 64 characters, and that of its Provenance is longer by
 * `prov-` and a version.
 */
export const KINDS: Readonly<Record<DerivedKind, KindRow>> = {
  bmi: { prefix: 'bmi', about: 'bmi' },
  'weight-change': { prefix: 'change', about: 'weight' },
  'weight-percentile': { prefix: 'weight-pct', about: 'weight' },
  'weight-z': { prefix: 'weight-z', about: 'weight' },
  'height-percentile': { prefix: 'height-pct', about: 'height' },
  'height-z': { prefix: 'height-z', about: 'height' },
  'bmi-percentile': { prefix: 'bmi-pct', about: 'bmi' },
  'bmi-z': { prefix: 'bmi-z', about: 'bmi' },
  'body-surface': { prefix: 'surface', about: 'weight' },
  'ideal-weight': { prefix: 'ideal', about: 'weight' },
  'adjusted-weight': { prefix: 'adjusted', about: 'weight' },
  'estimated-height': { prefix: 'estimated', about: 'height' },
};

/**
 * A reading that turned out to be another person's gets figures of its own there: none changes
 * its person.
 */
export function derivedIdOf(kind: DerivedKind, { id, moves = 0 }: Pick<Reading, 'id' | 'moves'>): string {
  const { prefix } = KINDS[kind];
  return moves === 0 ? `${prefix}-${id}` : `${prefix}-${id}-${moves}`;
}

/** What a constraint is: R4's own and those of our profiles have the same shape. */

export type Wire = Readonly<Record<string, unknown>>;

/** The resource around an element, and what is looked up in it more than once. */
export interface Scope {
  readonly resource: Wire;
  /** Ids of its contained resources. */
  readonly containedIds: ReadonlySet<string>;
  /** Texts beginning with `#` at which something in it points. */
  readonly fragments: ReadonlySet<string>;
}

export interface Constraint {
  /** As published: `obs-6`, or `sy-...` for our own. */
  readonly key: string;
  /** Type or element that it is evaluated on: `Observation`, `Observation.component`, `Reference`. */
  readonly on: string;
  readonly severity: 'error';
  /** In our own words, going on after a colon: no capital, no full stop. */
  readonly human: string;
  /** FHIRPath as it runs here, from `on`. Only a result of exactly [true] is a pass. */
  readonly expression: string;
  /** The element to point at, below `on`. */
  readonly about?: string;
  /** A constraint of the vital-signs profiles: not asked of contained Observations. */
  readonly ofVitalSigns?: true;
  /** Why the expression is not the published one, where it is not. */
  readonly deviation?: string;
  /** False when the constraint holds for certain: spares the evaluation, changes no result. */
  readonly couldFail?: (element: Wire, scope: Scope) => boolean;
  /**
   * Judges in place of the expression, where that misses cases or takes time that grows with the
   * square of the input. Gives the places at fault, below `on`; none when it holds.
   */
  readonly byHand?: (element: Wire, scope: Scope) => readonly string[];
}

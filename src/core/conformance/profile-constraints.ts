/**
 * Constraints of our own profiles: the profile generator writes them into the
 * StructureDefinitions, and `invariants.ts` runs them. Only what slices, cardinalities and
 * bindings cannot say, and what no rule judges already.
 */
import { unitsOf } from '../quantity.ts';
import { OURS, QUALIFIER, SYSTEM, type Quantified } from '../terminology.ts';
import { listOf } from './by-hand.ts';
import type { Constraint, Wire } from './constraint.ts';

export interface ProfileConstraint extends Constraint {
  /** Canonical URLs of the profiles that carry it. */
  readonly profiles: readonly string[];
  /** The measures whose Observations it is asked of. */
  readonly of: readonly Quantified[];
}

type Coded = (typeof QUALIFIER)[keyof typeof QUALIFIER];

const isCoded = ({ system, code }: Coded): string => `(system = '${system}' and code = '${code}')`;
const anyOf = (codings: readonly Coded[]): string => codings.map(isCoded).join(' or ');
const codesIn = (observation: Wire): unknown[] =>
  listOf(observation['component']).flatMap((component) =>
    listOf((component['code'] as Wire | undefined)?.['coding']).map(({ code }) => code),
  );

const MASSES: readonly Coded[] = [QUALIFIER.gross, QUALIFIER.tare];
/** A person may wear a cast and come from dialysis: that question may be answered again. */
const QUALIFIERS = Object.values(QUALIFIER).filter((coded) => coded !== QUALIFIER.condition);
const MASS_CODES = new Set<unknown>(MASSES.map(({ code }) => code));
const QUALIFIER_KEYS = new Set(QUALIFIERS.map(keyOf));
const IS_MASS = `system = '${SYSTEM.ucum}' and (${unitsOf('weight')
  .map((unit) => `code = '${unit}'`)
  .join(' or ')})`;
const QUADRATIC = 'the same, but in time that grows with the number of items, not with its square';

function keyOf({ system, code }: Wire): string {
  return `${String(system)}|${String(code)}`;
}

function repeatedQualifiers(observation: Wire): string[] {
  const seen = new Set<string>();
  return listOf(observation['component']).flatMap(({ code }, index) => {
    const keys = listOf((code as Wire | undefined)?.['coding'])
      .map(keyOf)
      .filter((key) => QUALIFIER_KEYS.has(key));
    const isRepeated = new Set(keys).size < keys.length || keys.some((key) => seen.has(key));
    keys.forEach((key) => seen.add(key));
    return isRepeated ? [`component[${index}].code`] : [];
  });
}

function repeatedInputs({ derivedFrom }: Wire): string[] {
  const seen = new Set<unknown>();
  return listOf(derivedFrom).flatMap(({ reference }, index) => {
    const isRepeated = reference !== undefined && seen.has(reference);
    seen.add(reference);
    return isRepeated ? [`derivedFrom[${index}].reference`] : [];
  });
}

export const PROFILE_CONSTRAINTS: readonly ProfileConstraint[] = [
  {
    key: 'sy-mass-1',
    profiles: [OURS.bodyWeightProfile],
    of: ['weight'],
    on: 'Observation',
    severity: 'error',
    human: 'gross and tare must be masses in a unit that a body weight may have, or say why they are absent',
    expression: `component.where(code.coding.where(${anyOf(MASSES)}).exists()).all(dataAbsentReason.exists() or value.ofType(Quantity).where(${IS_MASS}).exists())`,
    about: 'component',
    couldFail: (observation) => codesIn(observation).some((code) => MASS_CODES.has(code)),
  },
  {
    key: 'sy-qualifier-1',
    profiles: [OURS.bodyWeightProfile, OURS.bodyHeightProfile],
    of: ['weight', 'height'],
    on: 'Observation',
    severity: 'error',
    human: 'each question about how it was measured must have one answer only',
    expression: `component.code.coding.where(${anyOf(QUALIFIERS)}).select(system & '|' & code).isDistinct()`,
    about: 'component',
    deviation: QUADRATIC,
    byHand: repeatedQualifiers,
  },
  {
    key: 'sy-bmi-1',
    profiles: [OURS.bmiProfile],
    of: ['bmi'],
    on: 'Observation',
    severity: 'error',
    human: 'a BMI must not be derived from the same Observation twice',
    expression: 'derivedFrom.reference.isDistinct()',
    about: 'derivedFrom',
    deviation: QUADRATIC,
    byHand: repeatedInputs,
  },
];

/**
 * The precision rule, on the written digits: weight to 0.1 kg or 1/4 lb, height to 0.1 cm or
 * 1/8 in; finer steps for infants; a registered scale's own division where it is fine enough.
 *
 * Grid and resolution are two questions. Is the number a whole number of steps in its own unit?
 * And can the scale that made it show steps that small?
 */
import { compare, decimal, divideHalfUp, isMultipleOf, multiply, roundHalfUp, toShortestText, toText, type Decimal } from '../decimal.ts';
import type { Policy, SettingName } from '../policy.ts';
import { UNITS, convertForReading, inBaseUnit, type Quantity, type UnitCode } from '../quantity.ts';
import type { DeviceFacts } from '../reading.ts';
import { VALUE_NUMBER, type Rule, type Subject } from './rule.ts';

const PRECISION = 'Service requirements, precision: 0.1 kg or 1/4 lb; 0.1 cm or 1/8 in';
const STEP_SETTINGS: readonly SettingName[] = [
  'precision.kg',
  'precision.g',
  'precision.lb',
  'precision.cm',
  'precision.in',
  'precision.infant.kg',
  'precision.infant.g',
  'precision.infant.lb',
];
const DIVISION_SETTINGS: readonly SettingName[] = [...STEP_SETTINGS, 'precision.infant.scaleDivision'];

const ADULT_STEP: Readonly<Record<UnitCode, SettingName>> = {
  kg: 'precision.kg',
  g: 'precision.g',
  '[lb_av]': 'precision.lb',
  cm: 'precision.cm',
  '[in_i]': 'precision.in',
};
const INFANT_STEP: Partial<Readonly<Record<UnitCode, SettingName>>> = {
  kg: 'precision.infant.kg',
  g: 'precision.infant.g',
  '[lb_av]': 'precision.infant.lb',
};

/** The step that a value in this unit must be a whole number of. */
export function stepOf(unit: UnitCode, infant: boolean, policy: Policy): Decimal {
  const name = (infant ? INFANT_STEP[unit] : undefined) ?? ADULT_STEP[unit];
  return decimal(policy.values[name] as string);
}

/** Under 24 months for certain, or on an infant scale. */
function isInfant({ age, reading }: Subject): boolean {
  return (age !== undefined && age.oldestMonths < 24) || reading?.method === 'infant-scale' || reading?.basis === 'birth';
}

/** A scale's division in the reading's unit; undefined when unknown or of another unit system. */
function divisionIn(unit: UnitCode, device: DeviceFacts | undefined): Decimal | undefined {
  const { division } = device ?? {};
  if (division === undefined || UNITS[division.unit].of !== UNITS[unit].of) return undefined;
  if (UNITS[division.unit].imperial !== UNITS[unit].imperial) return undefined;
  if (division.unit === unit) return division.value;
  return unit === 'g' ? multiply(division.value, decimal('1000')) : multiply(division.value, decimal('0.001'));
}

/**
 * The coarsest division that a scale may have. For an infant the number may be finer (5 g, 1 g)
 * than what every scale has to show: 10 g is what is asked of an infant scale.
 */
function coarsestDivision(unit: UnitCode, step: Decimal, infant: boolean, { values }: Policy): Decimal {
  if (!infant || (unit !== 'kg' && unit !== 'g')) return step;
  const kilograms = decimal(values['precision.infant.scaleDivision']);
  const allowed = unit === 'g' ? multiply(kilograms, decimal('1000')) : kilograms;
  return compare(allowed, step) > 0 ? allowed : step;
}

interface Grid {
  readonly quantity: Quantity;
  readonly step: Decimal;
  /** The coarsest division that is fine enough. */
  readonly coarsest: Decimal;
  readonly division?: Decimal;
  readonly coarse: boolean;
}

function gridOf(subject: Subject): Grid | undefined {
  const { quantity, context, observation } = subject;
  if (quantity === undefined || observation.status === 'entered-in-error') return undefined;
  const infant = isInfant(subject);
  const step = stepOf(quantity.unit, infant, context.policy);
  const coarsest = coarsestDivision(quantity.unit, step, infant, context.policy);
  const division = divisionIn(quantity.unit, context.device);
  return { quantity, step, coarsest, ...(division && { division }), coarse: division !== undefined && compare(division, coarsest) > 0 };
}

const precisionStep: Rule = {
  id: 'precision-step',
  title: 'Digits beyond what may be recorded',
  family: 'precision',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: `${PRECISION}; infants: US Maternal and Child Health Bureau, Accurately Weighing and Measuring: Technique, section 3`,
  explain:
    '{value} {unit} is not a whole number of {step} {unit} steps (the nearest are {below} and {above}){hint}. Send the reading as the device showed it, unconverted and unrounded.',
  settings: STEP_SETTINGS,
  check: (subject) => {
    const grid = gridOf(subject);
    if (grid === undefined || (grid.division !== undefined && !grid.coarse)) return undefined;
    const { quantity, step } = grid;
    if (isMultipleOf(quantity.value, step)) return undefined;
    const [below, above] = neighbours(quantity.value, step);
    return {
      facts: { value: quantity.text, unit: quantity.unit, step: toShortestText(step), below, above, hint: hintFor(subject, quantity) },
    };
  },
};

const scaleDivision: Rule = {
  id: 'scale-division',
  title: 'A digit that this scale cannot show',
  family: 'precision',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'OIML R 76-1, actual scale interval d; common practice: a number that the display cannot show was edited or converted',
  explain:
    'The registered scale shows steps of {division} {unit}, so it cannot have shown {value} {unit}. Weigh again on this scale, or name the scale that was used.',
  check: (subject) => {
    const grid = gridOf(subject);
    if (grid?.division === undefined || isMultipleOf(grid.quantity.value, grid.division)) return undefined;
    if (grid.coarse && !isMultipleOf(grid.quantity.value, grid.step)) return undefined; // refused by the step already
    return { facts: { value: grid.quantity.text, unit: grid.quantity.unit, division: toShortestText(grid.division) } };
  },
};

export const scaleCoarse: Rule = {
  id: 'scale-coarse',
  title: 'The scale is coarser than the precision rule',
  family: 'precision',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: `${PRECISION}; infants: US Maternal and Child Health Bureau, Accurately Weighing and Measuring: Technique, section 3`,
  explain:
    'The registered scale shows steps of {division} {unit}, coarser than {step} {unit}. Weigh on a finer scale; where the person can use no other, the policy may accept and mark such readings.',
  settings: DIVISION_SETTINGS,
  check: (subject) => {
    const grid = gridOf(subject);
    if (grid?.division === undefined || !grid.coarse || !isMultipleOf(grid.quantity.value, grid.division)) return undefined;
    return { facts: { unit: grid.quantity.unit, division: toShortestText(grid.division), step: toShortestText(grid.coarsest) } };
  },
};

const writtenDecimals: Rule = {
  id: 'written-decimals',
  title: 'Fewer digits than the step',
  family: 'precision',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  source: 'HL7 FHIR R4 (4.0.1), Datatypes, decimal: written precision is meaningful',
  explain:
    '{value} {unit} is written with fewer digits than the {step} {unit} step, so the last digit may have been dropped. Send every digit that the device shows, also a zero.',
  check: (subject) => {
    const grid = gridOf(subject);
    if (grid === undefined || grid.quantity.value.scale >= decimalsExpected(grid)) return undefined;
    return { facts: { value: grid.quantity.text, unit: grid.quantity.unit, step: toShortestText(grid.step) } };
  },
};

const extraZeros: Rule = {
  id: 'extra-zeros',
  title: 'More zeros than the step',
  family: 'precision',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  source: 'HL7 FHIR R4 (4.0.1), Datatypes, decimal: written precision is meaningful',
  explain:
    '{value} {unit} is written with more zeros than the {step} {unit} step needs, which claims a finer device. It is kept as written; send the digits that the device shows.',
  check: (subject) => {
    const grid = gridOf(subject);
    if (grid === undefined || !isMultipleOf(grid.quantity.value, grid.step)) return undefined;
    if (grid.quantity.value.scale <= Math.max(grid.step.scale, grid.division?.scale ?? 0)) return undefined;
    return { facts: { value: grid.quantity.text, unit: grid.quantity.unit, step: toShortestText(grid.step) } };
  },
};

/** Steps of halves and quarters are written 154, 154.5 or 154.25: only a bare 154 has lost a digit. */
function decimalsExpected({ quantity, step }: Grid): number {
  if (UNITS[quantity.unit].imperial) return Math.min(step.scale, 1);
  return Math.min(step.scale, 2); // infants: 0.01 kg is enough, 0.005 kg displays are rare
}

function neighbours(value: Decimal, step: Decimal): [below: string, above: string] {
  const scale = Math.max(value.scale, step.scale);
  const [amount, size] = [value, step].map((one) => one.coefficient * 10n ** BigInt(scale - one.scale)) as [bigint, bigint];
  const below = (amount / size) * size - (amount < 0n ? size : 0n);
  const written = (coefficient: bigint): string => toText(roundHalfUp({ coefficient, scale }, step.scale));
  return [written(below), written(below + size)];
}

/** What may lie behind the digits: a conversion, or a small child whom nobody told us of. */
function hintFor({ band, context }: Subject, quantity: Quantity): string {
  const fineEnough = band === 'age-unknown' && isMultipleOf(quantity.value, stepOf(quantity.unit, true, context.policy));
  const isInfantWeight = UNITS[quantity.unit].of === 'weight' && compare(inBaseUnit(quantity), HEAVIEST_INFANT_KG) <= 0;
  const infant = fineEnough && isInfantWeight ? '; an infant may be weighed so finely, but the birth date is not known here' : '';
  return conversionHint(quantity) || infant;
}

const HEAVIEST_INFANT_KG = decimal('20');

const OTHER_SYSTEM: Readonly<Record<UnitCode, { readonly unit: UnitCode; readonly steps: readonly string[] }>> = {
  kg: { unit: '[lb_av]', steps: ['1', '0.25', '0.1'] },
  g: { unit: '[lb_av]', steps: ['1', '0.25', '0.1'] },
  '[lb_av]': { unit: 'kg', steps: ['1', '0.1'] },
  cm: { unit: '[in_i]', steps: ['1', '0.125', '0.1'] },
  '[in_i]': { unit: 'cm', steps: ['1', '0.1'] },
};

/**
 * "; it is 44.3 [lb_av] converted" when a value of the other unit system, on its grid, gives
 * exactly these digits. With two decimals every fifth number would fit some grid by chance, so
 * only whole pounds and inches are named there.
 */
function conversionHint(quantity: Quantity): string {
  const { unit, steps } = OTHER_SYSTEM[quantity.unit];
  const written = quantity.value.scale;
  for (const step of written >= 3 ? steps : steps.slice(0, 1)) {
    const size = decimal(step);
    const count = divideHalfUp(inBaseUnit(quantity), multiply(size, UNITS[unit].factor), 0);
    const candidate = multiply(count, size);
    if (convertForReading({ value: candidate, unit }, quantity.unit, written) === toShortestText(quantity.value)) {
      return `; it is ${toShortestText(candidate)} ${unit} converted`;
    }
  }
  return floatAccident(quantity.text) ? '; it looks like the result of binary arithmetic' : '';
}

function floatAccident(text: string): boolean {
  return /\.\d*?(0{6,}|9{6,})\d*$/.test(text) && text.length > 12;
}

export const PRECISION_RULES: readonly Rule[] = [precisionStep, scaleDivision, scaleCoarse, writtenDecimals, extraZeros];

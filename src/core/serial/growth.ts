/** A child's weight, length or height and BMI against the growth charts, as the rules ask for it. */
import { ADULT_FROM_MONTHS } from '../age-bands.ts';
import { bodyMassIndex, type BmiDraft, type UsableReading } from '../derive/bmi.ts';
import { assessGrowth, plausibleRange, rangeTexts, type Assessment, type Question } from '../growth/assess.ts';
import { exactAgeAt } from '../growth/age.ts';
import type { GrowthTables } from '../growth/tables.ts';
import { inBaseUnit } from '../quantity.ts';
import type { PersonFacts, Reading } from '../reading.ts';
import type { Posture } from '../growth/charts.ts';
import type { GrowthView, View } from './view.ts';

/** Charts of children end here; nobody of 20 years is compared with one. */
export function isChildAt({ birthDate }: Pick<PersonFacts, 'birthDate'>, atMs: number): boolean {
  const age = exactAgeAt(birthDate, atMs);
  return age !== undefined && age.months < ADULT_FROM_MONTHS;
}

/** More decimals than a chart can tell apart. */
const BMI_DECIMALS = 4;

/** The rule whose business this is: turned off, the limits of the age bands apply alone. */
export const GROWTH_RULE = 'growth-implausible';

/** Undefined for adults, for ages that are not known to the day, and where the policy has it off. */
export function growthOf(
  { reading, counts, person, policy }: Pick<View, 'reading' | 'counts' | 'person' | 'policy'>,
  drafts: readonly BmiDraft[],
  tables: GrowthTables | undefined,
): GrowthView | undefined {
  const { startMs } = reading.effective;
  if (!counts || !isChildAt(person, startMs) || policy.outcomes[GROWTH_RULE] === 'off') return undefined;
  return {
    tables,
    own: assessReading(reading, person, tables),
    bmi: drafts.map((draft) => ({ draft, assessment: assessBmi(draft, person, tables) })),
  };
}

export function assessReading(reading: UsableReading, person: PersonFacts, tables: GrowthTables | undefined): Assessment {
  return assessGrowth(person, { ...questionOf(reading), value: inBaseUnit(reading.quantity) }, reading.effective.startMs, tables);
}

export function assessBmi({ weight, height }: BmiDraft, person: PersonFacts, tables: GrowthTables | undefined): Assessment {
  const value = bodyMassIndex(weight.quantity, height.quantity, BMI_DECIMALS);
  return assessGrowth(person, { of: 'bmi', value }, weight.effective.startMs, tables);
}

function questionOf(reading: UsableReading): Exclude<Question, { of: 'weight-for-height' | 'bmi' }> {
  if (reading.of === 'weight') return { of: 'weight' };
  const position = postureOf(reading);
  return { of: 'height', ...(position && { position }) };
}

/** Sitting, nobody's height is measured: charts know lying and standing. */
function postureOf({ position }: Pick<Reading, 'position'>): Posture | undefined {
  return position === 'sitting' ? undefined : position;
}

/** What the cut-offs leave, ends included, rounded inwards. */
export function plausibleTexts(
  of: 'own' | 'bmi',
  { reading, person }: Pick<View, 'reading' | 'person'>,
  { tables }: GrowthView,
  atMs: number,
): readonly [low: string, high: string] | undefined {
  const range = plausibleRange(person, of === 'bmi' ? { of: 'bmi' } : questionOf(reading), atMs, tables);
  return range.outcome === 'range' ? rangeTexts(range, of === 'own' && reading.of === 'weight' ? 2 : 1) : undefined;
}

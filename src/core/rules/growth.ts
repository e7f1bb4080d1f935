/** Children against the growth charts: what no child can have, and what could not be compared. */
import { AGE_BANDS } from '../age-bands.ts';
import type { Assessed, NotAssessedReason } from '../growth/assess.ts';
import { describeQuantity } from '../quantity.ts';
import { isBeyondLimit, spanLeft } from '../serial/limits.ts';
import { GROWTH_RULE, plausibleTexts } from '../serial/growth.ts';
import type { View } from '../serial/view.ts';
import { VALUE_NUMBER, type Hit, type Rule } from './rule.ts';

const FLAGS =
  'WHO Child Growth Standards 2006, flags for implausible z-scores; CDC growth chart program, revision of November 2016, limits of biologically implausible values';

const implausible: Rule = {
  id: GROWTH_RULE,
  title: 'Outside what the growth chart calls plausible',
  family: 'plausibility',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: FLAGS,
  explain:
    '{what} is outside {low} to {high} {unit}, what the published cut-offs leave at this age and sex ({chart}). Such a value is not necessarily wrong: check person, birth date, unit and tare, and measure again to confirm it.',
  settledBy: 'second-weighing',
  among: (view) => {
    if (view.growth === undefined || view.suspicion?.holds || spanLeft(view, 'refuse') !== undefined) return undefined;
    return implausibleValue(view) ?? (view.change && isBeyondLimit(view.change, view) ? undefined : implausibleBmi(view));
  },
};

function implausibleValue(view: View): Hit | undefined {
  const { growth, reading } = view;
  if (growth?.own.outcome !== 'assessed' || growth.own.implausible === undefined) return undefined;
  const what = describeQuantity(reading.quantity);
  return hit(view, growth.own, { of: 'own', what, unit: reading.of === 'weight' ? 'kg' : 'cm' }, reading.effective.startMs);
}

function implausibleBmi(view: View): Hit | undefined {
  for (const { draft, assessment } of view.growth?.bmi ?? []) {
    if (assessment.outcome !== 'assessed' || assessment.implausible === undefined) continue;
    const { weight, height, valueText } = draft;
    const what = `The BMI of ${valueText} kg/m2 from ${describeQuantity(weight.quantity)} and ${describeQuantity(height.quantity)}`;
    return hit(view, assessment, { of: 'bmi', what, unit: 'kg/m2' }, weight.effective.startMs);
  }
  return undefined;
}

function hit(
  view: View,
  { title }: Assessed,
  { of, what, unit }: { readonly of: 'own' | 'bmi'; readonly what: string; readonly unit: string },
  atMs: number,
): Hit | undefined {
  const range = view.growth && plausibleTexts(of, view, view.growth, atMs);
  return range && { facts: { what, low: range[0], high: range[1], unit, chart: title } };
}

const tablesMissing: Rule = {
  id: 'growth-tables-missing',
  title: 'No growth table for this child',
  family: 'plausibility',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  onlyAccepted: true,
  source: 'local policy: the limits of an age band are wider than those of the exact age',
  explain:
    'No growth table for this age and measure was supplied, so {value} was held against the limits of the whole age band ({age}) and has no percentile. Supply the published tables (STEELYARD_GROWTH_TABLES).',
  settings: ['limits.weight', 'limits.height'],
  among: ({ growth, person, reading, band }) => {
    const isKnown = person.sex === 'male' || person.sex === 'female';
    if (!isKnown || growth?.own.outcome !== 'not-assessed' || growth.own.reason !== 'no-tables') return undefined;
    return { facts: { value: describeQuantity(reading.quantity), age: AGE_BANDS[band].label } };
  },
};

const REASONS: Readonly<Partial<Record<NotAssessedReason, { readonly reason: string; readonly remedy: string }>>> = {
  'sex-unknown': {
    reason: 'the sex of this child is not recorded as male or female, and the charts know no other',
    remedy: 'Send the Patient with the gender if it is known (PUT Patient).',
  },
  'outside-table': { reason: 'no published table that was supplied reaches this age', remedy: 'No action is needed.' },
};

const notAssessed: Rule = {
  id: 'growth-not-assessed',
  title: 'A child who could not be compared with a growth chart',
  family: 'plausibility',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  onlyAccepted: true,
  source: 'CDC Growth Charts 2000 and WHO Child Growth Standards 2006: one table for each sex, each with a last age',
  explain: 'This measurement was not compared with a growth chart: {reason}; the limits of the whole age band were applied. {remedy}',
  settings: ['limits.weight', 'limits.height'],
  among: ({ growth }) => {
    const words = growth?.own.outcome === 'not-assessed' ? REASONS[growth.own.reason] : undefined;
    return words && { facts: words };
  },
};

const adjusted: Rule = {
  id: 'length-height-adjusted',
  title: 'Lying and standing were allowed for',
  family: 'plausibility',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  onlyAccepted: true,
  source: 'WHO Child Growth Standards 2006 (Acta Paediatrica 2006;Suppl 450:76-85): lying, children are 0.7 cm longer',
  explain:
    '{value} was measured {measured}, and the chart of this age is one of {chart}: {adjusted} cm were added for the comparison alone, and the value is stored as it was sent. No action is needed.',
  among: ({ growth, reading }) => {
    if (growth?.own.outcome !== 'assessed' || growth.own.adjustedBy === undefined) return undefined;
    const { adjustedBy, chartPosition } = growth.own;
    const chart = chartPosition === 'lying' ? 'lengths lying' : 'heights standing';
    return { facts: { value: describeQuantity(reading.quantity), measured: reading.position ?? '', chart, adjusted: adjustedBy } };
  },
};

export const GROWTH_RULES: readonly Rule[] = [implausible, tablesMissing, notAssessed, adjusted];

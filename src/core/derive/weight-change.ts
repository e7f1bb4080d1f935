/**
 * The change of a weight as an Observation: against the earlier weight at which it is greatest
 * among the published thresholds that it reaches, else against the last one that compares.
 */
import { decimal, divideHalfUp, isNegative, subtract, toText, type Decimal } from '../decimal.ts';
import { DAY_MS } from '../fhir-time.ts';
import type { Policy } from '../policy.ts';
import { inBaseUnit } from '../quantity.ts';
import { isUsable, type Reading } from '../reading.ts';
import { changeSince, magnitude, percentText, perDayText, type Change } from '../serial/change.ts';
import { incomparable } from '../serial/comparability.ts';
import { changeOutcome, changeRuleId, changeTitle } from '../serial/significance.ts';
import { OURS } from '../terminology.ts';
import type { UsableReading } from './bmi.ts';
import { CHANGE_THRESHOLDS } from './change-thresholds.ts';
import { DERIVED_SYSTEM, type DerivedCode } from './derived-code.ts';
import { amount, concept, type Component } from './derived-content.ts';
import type { Draft } from './draft.ts';

const ours = (code: string, display: string, unit: DerivedCode['unit']): DerivedCode => ({
  system: DERIVED_SYSTEM,
  code,
  display,
  unit,
  source: 'our own: no LOINC term found',
});

export const WEIGHT_CHANGE_CODES = {
  change: ours('weight-change', 'Change of body weight since an earlier one', 'kg'),
  percent: ours('weight-change-percent', 'Change in percent of the earlier weight', '%'),
  perDay: ours('weight-change-per-day', 'Change for each day between the two', 'kg/d'),
  interval: ours('weight-change-interval', 'Days between the two weights', 'd'),
} as const satisfies Record<string, DerivedCode>;

/** Codes whose values are no amounts. */
export const WEIGHT_CHANGE_ANSWERS = {
  comparable: { system: DERIVED_SYSTEM, code: 'weight-change-comparable', display: 'Whether the two weights compare' },
  threshold: {
    system: DERIVED_SYSTEM,
    code: 'weight-change-threshold',
    display: 'Published threshold of significant change that is reached',
  },
} as const;

const METHOD =
  'Weight less the earlier weight, in kilograms, and in percent of the earlier weight. This is a measurement and no diagnosis.';

interface Basis {
  readonly earlier: UsableReading;
  readonly comparable: boolean;
}

/** One draft for each weight for which the policy asks for its change. */
export function deriveWeightChange(readings: readonly Reading[], policy: Policy): Draft[] {
  const mode = policy.values['derive.weightChange'];
  if (mode === 'off') return [];
  const byId = new Map(readings.map((reading) => [reading.id, reading]));
  return readings.flatMap((reading) => {
    if (reading.of !== 'weight' || !isUsable(reading)) return [];
    if (mode === 'significant' && !isCalledSignificant(reading, policy)) return [];
    const basis = significantBasis(reading, byId, policy) ?? (mode === 'every' ? lastBasis(reading, byId) : undefined);
    return basis === undefined ? [] : [draftOf(reading, basis, byId)];
  });
}

/** Does it reach a threshold of which more is made than a remark? */
function isCalledSignificant({ significant = [] }: UsableReading, { outcomes }: Policy): boolean {
  return significant.some(({ threshold: id }) => {
    const threshold = CHANGE_THRESHOLDS.find((one) => one.id === id);
    return threshold !== undefined && (outcomes[changeRuleId(threshold)] ?? changeOutcome(threshold)) !== 'inform';
  });
}

function significantBasis(reading: UsableReading, byId: ReadonlyMap<string, Reading>, policy: Policy): Basis | undefined {
  const now = inBaseUnit(reading.quantity);
  let greatest: { readonly earlier: UsableReading; readonly size: Decimal } | undefined;
  for (const { earlier: id } of reading.significant ?? []) {
    const earlier = byId.get(id);
    if (earlier?.quantity === undefined) continue;
    const size = magnitude(subtract(now, inBaseUnit(earlier.quantity)));
    if (greatest === undefined || isNegative(subtract(greatest.size, size))) greatest = { earlier: earlier as UsableReading, size };
  }
  return greatest && { earlier: greatest.earlier, comparable: incomparable(greatest.earlier, reading, policy).length === 0 };
}

function lastBasis({ comparison }: UsableReading, byId: ReadonlyMap<string, Reading>): Basis | undefined {
  if (comparison === undefined) return undefined;
  const { previous, reasons, lastComparable } = comparison;
  const earlier = byId.get(lastComparable ?? previous);
  return earlier?.quantity === undefined
    ? undefined
    : { earlier: earlier as UsableReading, comparable: reasons.length === 0 || lastComparable !== undefined };
}

function draftOf(reading: UsableReading, { earlier, comparable }: Basis, byId: ReadonlyMap<string, Reading>): Draft {
  const change = changeSince(earlier, reading, {});
  const others = (reading.significant ?? []).flatMap(({ earlier: id }) => byId.get(id) ?? []);
  return {
    kind: 'weight-change',
    of: reading,
    inputs: [...new Set([reading, earlier, ...others])],
    content: {
      code: concept(WEIGHT_CHANGE_CODES.change),
      valueQuantity: amount(kilograms(change.difference), 'kg'),
      method: { text: METHOD },
      component: [...amounts(change), comparability(comparable), ...thresholds(reading)],
    },
  };
}

/** As many decimals as the weights have; a weight in pounds gives grams. */
function kilograms(difference: Decimal): string {
  return toText(difference.scale <= 3 ? difference : divideHalfUp(difference, decimal('1'), 3));
}

function amounts(change: Change): Component[] {
  const perDay = perDayText(change);
  const days = divideHalfUp(decimal(String(change.intervalMs)), decimal(String(DAY_MS)), 2);
  const rows: readonly (readonly [DerivedCode, string | undefined])[] = [
    [WEIGHT_CHANGE_CODES.percent, percentText(change)],
    [WEIGHT_CHANGE_CODES.perDay, perDay],
    [WEIGHT_CHANGE_CODES.interval, toText(days)],
  ];
  return rows.flatMap(([code, text]) =>
    text === undefined ? [] : [{ code: concept(code), valueQuantity: amount(text.replace('+', ''), code.unit) }],
  );
}

function comparability(comparable: boolean): Component {
  return { code: concept(WEIGHT_CHANGE_ANSWERS.comparable), valueBoolean: comparable };
}

function thresholds({ significant = [] }: UsableReading): Component[] {
  return significant.flatMap(({ threshold: id }) => {
    const threshold = CHANGE_THRESHOLDS.find((one) => one.id === id);
    if (threshold === undefined) return [];
    const { title, source } = threshold;
    const code = changeRuleId(threshold);
    return [
      {
        code: concept(WEIGHT_CHANGE_ANSWERS.threshold),
        valueCodeableConcept: {
          coding: [{ system: OURS.ruleSystem, code, display: changeTitle(threshold) }],
          text: `${title} (${source})`,
        },
      },
    ];
  });
}

/**
 * Which published thresholds of significant change a weight reaches among the person's own: only
 * weights that compare are asked, and the birth weight for newborns.
 */
import { CHANGE_THRESHOLDS, LONGEST_WINDOW_DAYS, type ChangeThreshold } from '../derive/change-thresholds.ts';
import { significantChanges, type EarlierWeight } from '../derive/significant-change.ts';
import type { UsableReading } from '../derive/bmi.ts';
import { DAY_MS } from '../fhir-time.ts';
import type { Outcome } from '../finding.ts';
import type { Policy } from '../policy.ts';
import { inBaseUnit } from '../quantity.ts';
import { incomparable } from './comparability.ts';
import type { Significant, View } from './view.ts';

/** An accepted weight with what the thresholds ask of it, decoded once. */
export interface Weighed extends EarlierWeight {
  readonly reading: UsableReading;
}

export function weighed(reading: UsableReading): Weighed {
  return { id: reading.id, kg: inBaseUnit(reading.quantity), atMs: reading.effective.startMs, reading };
}

/** The rule that tells of a threshold. */
export function changeRuleId({ id }: Pick<ChangeThreshold, 'id'>): string {
  return `change-${id}`;
}

/**
 * What its rule does unless the policy says otherwise. A gain within a day or a week means something
 * in heart failure, which a scale does not know of; anybody may gain as much.
 */
export function changeOutcome({ family }: Pick<ChangeThreshold, 'family'>): Outcome {
  return family === 'heart-failure' ? 'inform' : 'warn';
}

/** Its title; titles of rules hold no point. */
export function changeTitle({ title }: Pick<ChangeThreshold, 'title'>): string {
  return `Change of weight: ${title.replace('.5', '½')}`;
}

const HORIZON_MS = (LONGEST_WINDOW_DAYS + 1) * DAY_MS;

/** In the order of the thresholds; none for a threshold whose rule the policy has turned off. */
export function significantAmong(
  { reading, age, policy, birthWeight }: Pick<View, 'reading' | 'age' | 'policy' | 'birthWeight'>,
  accepted: readonly Weighed[],
): readonly Significant[] {
  const { startMs } = reading.effective;
  const window = accepted.slice(accepted.findLastIndex(({ atMs }) => startMs - atMs > HORIZON_MS) + 1);
  const byId = new Map<string, UsableReading>(window.map((one) => [one.id, one.reading]));
  if (birthWeight) byId.set(birthWeight.id, birthWeight);
  const answers = new Map<string, boolean>();
  const compares = ({ id }: EarlierWeight): boolean => {
    const earlier = byId.get(id);
    const answer = answers.get(id) ?? (earlier !== undefined && incomparable(earlier, reading, policy).length === 0);
    answers.set(id, answer);
    return answer;
  };
  const about = {
    ...(age && { ageMonths: age.youngestMonths, ageDays: age.oldestDays }),
    ...(birthWeight && { birthWeight: { id: birthWeight.id, kg: inBaseUnit(birthWeight.quantity) } }),
  };
  const changes = significantChanges({ kg: inBaseUnit(reading.quantity), atMs: startMs }, window, about, {
    thresholds: asked(policy),
    compares,
  });
  return changes.flatMap((change) => {
    const earlier = byId.get(change.earlierId);
    return earlier === undefined ? [] : [{ ...change, earlier }];
  });
}

function asked({ outcomes }: Policy): readonly ChangeThreshold[] {
  return CHANGE_THRESHOLDS.filter((threshold) => outcomes[changeRuleId(threshold)] !== 'off');
}

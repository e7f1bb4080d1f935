/** One rule for each published threshold of significant change of weight: facts for the team, no diagnosis. */
import { CHANGE_FAMILIES, CHANGE_THRESHOLDS, type ChangeThreshold } from '../derive/change-thresholds.ts';
import { isNegative, toShortestText } from '../decimal.ts';
import { describeQuantity } from '../quantity.ts';
import { intervalWords, magnitude } from '../serial/change.ts';
import { changeOutcome, changeRuleId, changeTitle } from '../serial/significance.ts';
import { VALUE_NUMBER, type Rule } from './rule.ts';

function ruleOf(threshold: ChangeThreshold): Rule {
  const { id, title, family, concerns, source } = threshold;
  return {
    id: changeRuleId(threshold),
    title: changeTitle(threshold),
    family: 'change',
    outcome: changeOutcome(threshold),
    movable: true,
    code: 'informational',
    expression: VALUE_NUMBER,
    onlyAccepted: true,
    source,
    explain: `{value} is {change} kg ({percent} %) from {earlier}, weighed {interval} before: ${title}. This threshold is written for ${CHANGE_FAMILIES[family]}. Tell the clinical team. This is a measurement and no diagnosis.`,
    settings: concerns === 'newborn' ? [] : ['comparability.timeOfDayHours', 'comparability.unknownCompares', 'ward.timeZone'],
    among: ({ significant, reading }) => {
      const reached = significant.find(({ threshold: one }) => one.id === id);
      if (reached === undefined) return undefined;
      const { earlier, changeKg, percentText } = reached;
      const sign = isNegative(changeKg) ? '-' : '+';
      return {
        facts: {
          value: describeQuantity(reading.quantity),
          earlier: describeQuantity(earlier.quantity),
          interval: intervalWords(reading.effective.startMs - earlier.effective.startMs),
          change: `${sign}${toShortestText(magnitude(changeKg))}`,
          percent: `${sign}${percentText}`,
        },
      };
    },
  };
}

export const SIGNIFICANT_CHANGE_RULES: readonly Rule[] = CHANGE_THRESHOLDS.map(ruleOf);

/**
 * Mix-ups by name. Each rule speaks of one kind of suspicion (`serial/suspicion.ts`), so that the
 * policy can move each by itself. The value is never altered.
 */
import { SUSPICION_RULE } from '../serial/suspicion.ts';
import type { SuspicionKind } from '../serial/view.ts';
import { VALUE_NUMBER, type Rule } from './rule.ts';

const PSA = 'Pennsylvania Patient Safety Advisory 2016;13(2):50-57, as summarised by ISMP';
const NHANES = 'NHANES 2017-2018 adults with corrupted records, computed';

interface MixUp {
  readonly title: string;
  readonly kind: SuspicionKind;
  readonly explain: string;
  readonly source: string;
  readonly settledBy: NonNullable<Rule['settledBy']>;
  readonly settings: readonly string[];
}

const NEAR = ['mixup.agreesPercent', 'change.adultHeightCm'];
const MEANT = 'does not fit, but {meant} fits {against}';

const MIX_UPS: readonly MixUp[] = [
  {
    title: 'Pounds charted as kilograms',
    kind: 'pounds-as-kilograms',
    explain: `{value} ${MEANT}: it looks like pounds in a kilogram field. Set the scale and the gateway to kilograms, and weigh again.`,
    source: `${PSA} (23.2 % of 1,291 weight events); ${NHANES}`,
    settledBy: 'other-scale',
    settings: NEAR,
  },
  {
    title: 'Kilograms charted as pounds',
    kind: 'kilograms-as-pounds',
    explain: `{value} ${MEANT}: it looks like kilograms in a pound field. Check the unit at the scale and the gateway, and weigh again.`,
    source: `${PSA}; ${NHANES}`,
    settledBy: 'other-scale',
    settings: NEAR,
  },
  {
    title: 'Inches charted as centimetres',
    kind: 'inches-as-centimetres',
    explain: `{value} ${MEANT}: it looks like inches in a centimetre field. Check the unit, and measure again.`,
    source: NHANES,
    settledBy: 'other-scale',
    settings: NEAR,
  },
  {
    title: 'Centimetres charted as inches',
    kind: 'centimetres-as-inches',
    explain: `{value} ${MEANT}: it looks like centimetres in an inch field. Check the unit, and measure again.`,
    source: NHANES,
    settledBy: 'other-scale',
    settings: NEAR,
  },
  {
    title: 'Grams and kilograms exchanged',
    kind: 'grams',
    explain: `{value} ${MEANT}: grams and kilograms were exchanged. Check the unit at the scale and the gateway, and weigh again.`,
    source: 'Hirata et al., Pediatr Emerg Care 2019;35:637-642; common practice for the ratio of 1000',
    settledBy: 'other-scale',
    settings: NEAR,
  },
  {
    title: 'A decimal point in the wrong place',
    kind: 'decimal-point',
    explain: `{value} ${MEANT}: the decimal point has moved. Weigh again, and send every digit that the scale shows.`,
    source: `Hirata et al., Pediatr Emerg Care 2019;35:637-642 (decimal slips); ${NHANES}`,
    settledBy: 'second-weighing',
    settings: NEAR,
  },
  {
    title: 'Weight and height exchanged',
    kind: 'weight-height',
    explain:
      '{value} does not fit as a {of}, and {evidence}: weight and height look exchanged. Measure both again, and send each in its own field.',
    source: `Davis 1990, row 12 (a weight of 166 kg with a height of 57 cm); ${NHANES}`,
    settledBy: 'second-weighing',
    settings: NEAR,
  },
  {
    title: 'A chair that was not subtracted',
    kind: 'tare-forgotten',
    explain:
      '{value} is {change} from the last weight of {last}, about the {tare} of a chair or sling that this person is weighed in; without it {amount} would remain. Subtract the chair, or weigh again with the tare set.',
    source: `${NHANES} with an 18 kg chair left in (98.4 % caught); nursing practice: subtract the chair before recording`,
    settledBy: 'other-scale',
    settings: ['tare.jumpToleranceKg', 'tare.jumpLeastKg'],
  },
  {
    title: 'A chair that was subtracted twice',
    kind: 'tare-subtracted-twice',
    explain:
      '{value} is {change} from the last weight of {last}, about the {tare} of a chair or sling that this person is weighed in; with it {amount} would result. Check whether the tare was subtracted twice, and weigh again.',
    source: `${NHANES}; nursing practice: subtract the chair once, before recording`,
    settledBy: 'other-scale',
    settings: ['tare.jumpToleranceKg', 'tare.jumpLeastKg'],
  },
  {
    title: "Another person's weight",
    kind: 'other-person',
    explain:
      '{value} does not fit this person, but lies {difference} kg from the last weight of another person who was weighed on the same scale {minutes} minutes apart (Observation/{other}). Scan the identifiers of both, and weigh both again.',
    source: 'common practice, no source: wrong-patient entries; NHANES 2017-2018 for the natural change of 3 %',
    settledBy: 'second-weighing',
    settings: ['mixup.otherPerson.minutes', 'mixup.otherPerson.agreesPercent'],
  },
];

export const MIX_UP_RULES: readonly Rule[] = MIX_UPS.map(({ kind, ...mixUp }): Rule => ({
  ...mixUp,
  id: SUSPICION_RULE[kind],
  family: 'mix-up',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  among: ({ suspicion }) => (suspicion?.kind === kind ? { facts: suspicion.facts } : undefined),
}));

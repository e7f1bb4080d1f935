/** Example rows of the mix-ups: the same doubtful number with and without what explains it. */
import type { Context } from '../../../../src/core/reading.ts';
import { quantity, type Quantity } from '../../../../src/core/quantity.ts';
import { ADA, height, reading, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const as = { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' } as const;
const at = (effectiveDateTime: string): { readonly effectiveDateTime: string } => ({ effectiveDateTime });
const YESTERDAY = at('2026-03-01T08:00:00Z');
const weighed = (value: string, unit = 'kg'): Partial<Context> => ({ history: [reading(weight(value, unit, YESTERDAY), 'w0')] });
const tall = (value: string): Partial<Context> => ({ history: [reading(height(value, 'cm', at('2026-02-01T08:00:00Z')), 'h0')] });
const both = (kg: string, cm: string): Partial<Context> => ({ history: [...(weighed(kg).history ?? []), ...(tall(cm).history ?? [])] });
const other = { 'weight-change-rate': 'nothing explains the change' };
const CHAIR = quantity('18.0', 'kg') as Quantity;
const inChair = (value: string): Partial<Context> => ({
  person: { ...ADA, chairs: [CHAIR] },
  history: [reading(weight(value, 'kg', YESTERDAY), 'w0')],
});
const UNITS = 'Set the scale and the gateway to kilograms, and weigh again.';

export const MIX_UP_ROWS: Readonly<Record<string, RuleRows>> = {
  'mixup-pounds-as-kilograms': {
    as,
    accepts: [
      { title: 'a weight that is near the last one', observation: weight('71.0'), context: weighed('70.0') },
      { title: 'a change that no other unit explains', observation: weight('90.0'), context: weighed('70.0'), also: other },
      { title: 'pounds more than ten percent from the last one', observation: weight('170.0'), context: weighed('70.0'), also: other },
    ],
    rejects: [
      {
        title: 'the number of pounds after kilograms',
        observation: weight('154.3'),
        context: weighed('70.0'),
        message: `154.3 kg does not fit, but 154.3 [lb_av] (69.99 kg) fits the last weight, 70.0 kg 24 hours before: it looks like pounds in a kilogram field. ${UNITS}`,
      },
      {
        title: 'a first weight that the height contradicts',
        observation: weight('180.0'),
        context: tall('165.0'),
        message: `180.0 kg does not fit, but 180 [lb_av] (81.65 kg) fits a height of 165.0 cm: it looks like pounds in a kilogram field. ${UNITS}`,
      },
    ],
  },
  'mixup-kilograms-as-pounds': {
    as,
    accepts: [{ title: 'pounds after pounds', observation: weight('155.0', '[lb_av]'), context: weighed('154.25', '[lb_av]') }],
    rejects: [
      {
        title: 'the number of kilograms after pounds',
        observation: weight('70.0', '[lb_av]'),
        context: weighed('154.25', '[lb_av]'),
        message:
          '70.0 [lb_av] does not fit, but 70 kg fits the last weight, 154.25 [lb_av] 24 hours before: it looks like kilograms in a pound field. Check the unit at the scale and the gateway, and weigh again.',
        also: {},
      },
    ],
  },
  'mixup-inches-as-centimetres': {
    as,
    accepts: [{ title: 'an ordinary height', observation: height('165.0'), context: tall('165.5') }],
    rejects: [
      {
        title: 'the number of inches after centimetres',
        observation: height('65.0'),
        context: tall('165.5'),
        message:
          '65.0 cm does not fit, but 65 [in_i] (165.1 cm) fits the last height, 165.5 cm 29 days before: it looks like inches in a centimetre field. Check the unit, and measure again.',
      },
      {
        title: 'a first height of 65 cm for an adult',
        observation: height('65.0'),
        message:
          '65.0 cm does not fit, but 65 [in_i] (165.1 cm) fits what is usual for the age: it looks like inches in a centimetre field. Check the unit, and measure again.',
      },
    ],
  },
  'mixup-centimetres-as-inches': {
    as,
    accepts: [{ title: 'an ordinary height in inches', observation: height('65.0', '[in_i]'), context: tall('165.5') }],
    rejects: [
      {
        title: 'the number of centimetres of a child as inches',
        observation: height('101.0', '[in_i]'),
        context: { person: { ...ADA, birthDate: '2019-05-01' }, ...tall('100.5') },
        message:
          '101.0 [in_i] does not fit, but 101 cm fits the last height, 100.5 cm 29 days before: it looks like centimetres in an inch field. Check the unit, and measure again.',
      },
    ],
  },
  'mixup-grams': {
    as,
    accepts: [
      {
        title: 'grams of an infant',
        observation: weight('3455', 'g'),
        context: { person: { ...ADA, birthDate: '2026-02-01' }, ...infant('3.400') },
      },
    ],
    rejects: [
      {
        title: 'the number of kilograms as grams',
        observation: weight('3.5', 'g'),
        context: { person: { ...ADA, birthDate: '2026-02-01' }, ...infant('3.400') },
        also: { 'value-impossible': 'nobody weighs 3.5 g', 'precision-step': 'a whole gram is the step' },
        message:
          '3.5 g does not fit, but 3.5 kg fits the last weight, 3.400 kg 24 hours before: grams and kilograms were exchanged. Check the unit at the scale and the gateway, and weigh again.',
      },
      {
        title: 'the number of grams as kilograms',
        observation: weight('3455', 'kg'),
        context: { person: { ...ADA, birthDate: '2026-02-01' } },
        also: { 'value-impossible': 'nobody weighs 3455 kg' },
        message:
          '3455 kg does not fit, but 3455 g (3.46 kg) fits what is usual for the age: grams and kilograms were exchanged. Check the unit at the scale and the gateway, and weigh again.',
      },
    ],
  },
  'mixup-decimal-point': {
    as,
    accepts: [
      { title: 'a change that moving the point does not explain', observation: weight('90.0'), context: weighed('70.0'), also: other },
    ],
    rejects: [
      {
        title: 'a place too far to the left',
        observation: weight('7.0'),
        context: weighed('70.0'),
        message:
          '7.0 kg does not fit, but 70 kg fits the last weight, 70.0 kg 24 hours before: the decimal point has moved. Weigh again, and send every digit that the scale shows.',
      },
      {
        title: 'a place too far to the right',
        observation: weight('401.0'),
        context: weighed('41.0'),
        message:
          '401.0 kg does not fit, but 40.1 kg fits the last weight, 41.0 kg 24 hours before: the decimal point has moved. Weigh again, and send every digit that the scale shows.',
      },
    ],
  },
  'mixup-weight-height': {
    as,
    accepts: [
      { title: 'more kilograms than centimetres, as some people have', observation: weight('171.0'), context: both('172.0', '170.0') },
    ],
    rejects: [
      {
        title: 'the height in the field of the weight',
        observation: weight('170.0'),
        context: both('70.0', '170.0'),
        message:
          '170.0 kg does not fit as a weight, and the height last accepted is 170.0 cm: weight and height look exchanged. Measure both again, and send each in its own field.',
      },
      {
        title: 'both halves of an exchange, as in Davis 1990, row 12',
        observation: weight('166.0'),
        context: { history: [reading(height('57.0', 'cm', at('2026-03-02T07:55:00Z')), 'h1')] },
        message:
          '166.0 kg does not fit as a weight, and the height of this visit is 57.0 cm: weight and height look exchanged. Measure both again, and send each in its own field.',
      },
      {
        title: 'the other half of it',
        observation: height('57.0'),
        context: { history: [reading(weight('166.0', 'kg', at('2026-03-02T08:05:00Z')), 'w1')] },
        message:
          '57.0 cm does not fit as a height, and the weight of this visit is 166.0 kg: weight and height look exchanged. Measure both again, and send each in its own field.',
      },
    ],
  },
  'tare-forgotten': {
    as,
    accepts: [
      { title: 'a change that is no chair', observation: weight('90.1'), context: inChair('69.0'), also: other },
      {
        title: 'a small change',
        observation: weight('74.9'),
        context: { ...inChair('70.0'), person: { ...ADA, chairs: [quantity('5.0', 'kg') as Quantity] } },
      },
    ],
    rejects: [
      {
        title: 'the chair left in',
        observation: weight('87.5'),
        context: inChair('70.0'),
        message:
          '87.5 kg is +17.5 kg from the last weight of 70.0 kg, about the 18.0 kg of a chair or sling that this person is weighed in; without it 69.5 kg would remain. Subtract the chair, or weigh again with the tare set.',
      },
    ],
  },
  'tare-subtracted-twice': {
    as,
    accepts: [
      {
        title: 'standing, where no chair is',
        observation: weight('52.5', 'kg', {
          method: { coding: [{ system: 'https://steelyard.example/fhir/CodeSystem/measurement-method', code: 'standing-scale' }] },
        }),
        context: inChair('70.0'),
        also: other,
      },
    ],
    rejects: [
      {
        title: 'the chair taken off twice',
        observation: weight('52.5'),
        context: inChair('70.0'),
        message:
          '52.5 kg is -17.5 kg from the last weight of 70.0 kg, about the 18.0 kg of a chair or sling that this person is weighed in; with it 70.5 kg would result. Check whether the tare was subtracted twice, and weigh again.',
      },
    ],
  },
  'mixup-other-person': {
    as,
    accepts: [{ title: 'nobody else on this scale', observation: weight('90.0'), context: weighed('70.0'), also: other }],
    rejects: [
      {
        title: 'somebody else on this scale whose last weight it is',
        observation: weight('90.0'),
        context: { ...weighed('70.0'), mistakenFor: [{ observation: 'w77', minutesApart: 3, differenceKg: '0.4' }] },
        message:
          '90.0 kg does not fit this person, but lies 0.4 kg from the last weight of another person who was weighed on the same scale 3 minutes apart (Observation/w77). Scan the identifiers of both, and weigh both again.',
      },
    ],
  },
};

function infant(value: string): Partial<Context> {
  return { history: [reading(weight(value, 'kg', YESTERDAY), 'w0')] };
}

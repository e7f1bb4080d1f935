/** Example rows of the precision rules, among them the figures that the requirements name. */
import { decimal } from '../../../../src/core/decimal.ts';
import { DEFAULT_POLICY } from '../../../../src/core/policy.ts';
import type { UnitCode } from '../../../../src/core/quantity.ts';
import type { DeviceFacts } from '../../../../src/core/reading.ts';
import { ADA, height, weight } from '../../../measurements.ts';
import type { Accept, Reject, RuleRows } from '../rule-tester.ts';

const scale = (division: string, unit: UnitCode = 'kg'): { readonly device: DeviceFacts } => ({
  device: { key: 'Device/scale-7', known: true, division: { value: decimal(division), unit } },
});
const INFANT = { person: { ...ADA, birthDate: '2026-01-15' } };
const AGE_UNKNOWN = { person: { key: 'Patient/ada', known: false } } as const;
const NOT_HOLDING_COARSE = { policy: { ...DEFAULT_POLICY, outcomes: { 'scale-coarse': 'warn' } } } as const;
const INFANT_SCALE = { device: { key: 'Device/cot', known: true, defaultMethod: 'infant-scale' } } as const;

const passes = (value: string, unit: UnitCode, context?: Accept['context'], title = ''): Accept => ({
  title: `${value} ${unit}${title}`,
  observation: unit === 'cm' || unit === '[in_i]' ? height(value, unit) : weight(value, unit),
  ...(context && { context }),
});
const offGrid = (
  value: string,
  unit: UnitCode,
  step: string,
  between: readonly [string, string],
  hint = '',
  context?: Accept['context'],
): Reject => ({
  ...passes(value, unit, context, context ? ' of an infant' : ''),
  message: `${value} ${unit} is not a whole number of ${step} ${unit} steps (the nearest are ${between[0]} and ${between[1]})${hint}. Send the reading as the device showed it, unconverted and unrounded.`,
});
const cannotShow = (value: string, unit: UnitCode, division: string, context: Accept['context']): Reject => ({
  ...passes(value, unit, context, ` on a ${division} ${unit} scale`),
  message: `The registered scale shows steps of ${division} ${unit}, so it cannot have shown ${value} ${unit}. Weigh again on this scale, or name the scale that was used.`,
});
const tooCoarse = (value: string, unit: UnitCode, division: string, step: string): Pick<Reject, 'title' | 'observation' | 'message'> => ({
  ...passes(value, unit, undefined, ` on a ${division} ${unit} scale`),
  message: `The registered scale shows steps of ${division} ${unit}, coarser than ${step} ${unit}. Weigh on a finer scale; where the person can use no other, the policy may accept and mark such readings.`,
});
const fewer = (value: string, unit: UnitCode, step: string, context?: Accept['context']): Reject => ({
  ...passes(value, unit, context, context ? ' of an infant' : ''),
  message: `${value} ${unit} is written with fewer digits than the ${step} ${unit} step, so the last digit may have been dropped. Send every digit that the device shows, also a zero.`,
});
const zeros = (value: string, unit: UnitCode, step: string): Reject => ({
  ...passes(value, unit),
  message: `${value} ${unit} is written with more zeros than the ${step} ${unit} step needs, which claims a finer device. It is kept as written; send the digits that the device shows.`,
});

const COARSE = 'a scale that is coarser than the rule is held for that; the digits are right';

export const PRECISION_ROWS: Readonly<Record<string, RuleRows>> = {
  'precision-step': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      passes('70', 'kg'),
      passes('70.0', 'kg'),
      passes('70.3', 'kg'),
      passes('70.50', 'kg'),
      passes('70300', 'g'),
      passes('150.25', '[lb_av]'),
      passes('150.50', '[lb_av]'),
      passes('170.1', 'cm'),
      passes('65.125', '[in_i]'),
      passes('3.455', 'kg', INFANT, ' of an infant'),
      passes('3456', 'g', INFANT, ' of an infant'),
      passes('11.455', 'kg', { person: { ...ADA, birthDate: '2024-03-03' } }, ' on the last day under two years'),
      passes('7.59375', '[lb_av]', INFANT, ' of an infant, half an ounce'),
      passes('70.355', 'kg', INFANT_SCALE, ' on an infant scale'),
      passes('154.2', '[lb_av]', scale('0.2', '[lb_av]'), ' on a scale of 0.2 pounds'),
      passes('70.35', 'kg', scale('0.05'), ' on a scale of 0.05 kg'),
      passes('70350', 'g', scale('0.05'), ' on a scale of 0.05 kg'),
      {
        title: 'a withdrawal of anything',
        observation: weight('70.33', 'kg', { status: 'entered-in-error' }),
        context: { version: 2, replaces: { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' } },
      },
    ],
    rejects: [
      offGrid('68.04', 'kg', '0.1', ['68.0', '68.1'], '; it is 150 [lb_av] converted'),
      offGrid('70.33', 'kg', '0.1', ['70.3', '70.4']),
      offGrid('70350', 'g', '100', ['70300', '70400']),
      offGrid('154.3', '[lb_av]', '0.25', ['154.25', '154.50'], '; it is 70 kg converted'),
      offGrid('150.3', '[lb_av]', '0.25', ['150.25', '150.50']),
      offGrid('67.0625', '[in_i]', '0.125', ['67.000', '67.125']),
      offGrid('170.18', 'cm', '0.1', ['170.1', '170.2'], '; it is 67 [in_i] converted'),
      offGrid('154.3236', '[lb_av]', '0.25', ['154.25', '154.50'], '; it is 70 kg converted'),
      offGrid('66.9291', '[in_i]', '0.125', ['66.875', '67.000'], '; it is 170 cm converted'),
      {
        ...offGrid('20.09414', 'kg', '0.1', ['20.0', '20.1'], '; it is 44.3 [lb_av] converted'),
        also: { 'value-unusual': '20 kg is also little for an adult, whatever its digits' },
      },
      offGrid('70.09999999999999999', 'kg', '0.1', ['70.0', '70.1'], '; it looks like the result of binary arithmetic'),
      offGrid('70.30000000000001', 'kg', '0.1', ['70.3', '70.4'], '; it looks like the result of binary arithmetic'),
      {
        ...offGrid('11.455', 'kg', '0.1', ['11.4', '11.5']),
        title: '11.455 kg on the second birthday',
        context: { person: { ...ADA, birthDate: '2024-03-02' } },
      },
      {
        ...offGrid('3.455', 'kg', '0.1', ['3.4', '3.5'], '; an infant may be weighed so finely, but the birth date is not known here'),
        title: '3.455 kg of a person whose age is not known',
        context: AGE_UNKNOWN,
      },
      {
        ...offGrid('70.355', 'kg', '0.1', ['70.3', '70.4']),
        title: '70.355 kg of a person whose age is not known, but who is no infant',
        context: AGE_UNKNOWN,
      },
      offGrid('3.457', 'kg', '0.005', ['3.455', '3.460'], '', INFANT),
      offGrid('3456.5', 'g', '1', ['3456', '3457'], '', INFANT),
      {
        ...offGrid('70.30', 'kg', '0.1', ['', '']),
        title: 'a coarse scale does not excuse a digit beyond the rule',
        observation: weight('70.33', 'kg'),
        context: scale('0.5'),
        message:
          '70.33 kg is not a whole number of 0.1 kg steps (the nearest are 70.3 and 70.4). Send the reading as the device showed it, unconverted and unrounded.',
      },
    ],
  },
  'scale-division': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      passes('154.2', '[lb_av]', scale('0.2', '[lb_av]')),
      passes('70.35', 'kg', scale('0.05')),
      passes('70350', 'g', scale('0.05'), ' on a scale of 0.05 kg'),
      passes('154.25', '[lb_av]', scale('0.1'), ' on a scale registered in kilograms, which is not compared'),
      passes('70.3', 'kg', { device: { key: 'Device/scale-7', known: true } }, ' on a scale whose division is not known'),
    ],
    rejects: [
      cannotShow('154.25', '[lb_av]', '0.2', scale('0.2', '[lb_av]')),
      cannotShow('70.33', 'kg', '0.05', scale('0.05')),
      cannotShow('70320', 'g', '50', scale('0.05')),
      cannotShow('70.35', 'kg', '0.1', scale('100', 'g')),
      cannotShow('70.3', 'kg', '0.5', scale('0.5')),
    ],
  },
  'scale-coarse': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      passes('70.5', 'kg', scale('0.1')),
      passes('70.35', 'kg', scale('0.05')),
      passes('3.45', 'kg', { ...INFANT, ...scale('0.01') }, ' of an infant on a scale of 10 g'),
      passes('3450', 'g', { ...INFANT, ...scale('0.01') }, ' of an infant on a scale of 10 g'),
      passes('3.455', 'kg', { ...INFANT, ...scale('0.005') }, ' of an infant on a scale of 5 g'),
      {
        ...passes('70.3', 'kg', scale('0.5'), ' on a scale of 0.5 kg'),
        also: { 'scale-division': 'the scale cannot show 70.3, which is said instead' },
      },
    ],
    rejects: [
      { ...tooCoarse('70.5', 'kg', '0.5', '0.1'), context: scale('0.5') },
      { ...tooCoarse('70500', 'g', '500', '100'), context: scale('500', 'g') },
      { ...tooCoarse('154.5', '[lb_av]', '0.5', '0.25'), context: scale('0.5', '[lb_av]') },
      {
        ...tooCoarse('70.5', 'kg', '0.5', '0.1'),
        title: 'accepted and marked where the policy says so',
        context: { ...scale('0.5'), ...NOT_HOLDING_COARSE },
        outcome: 'warn',
      },
      { ...tooCoarse('3.4', 'kg', '0.1', '0.01'), title: 'an infant on a scale for adults', context: { ...INFANT, ...scale('0.1') } },
      { ...tooCoarse('3.44', 'kg', '0.02', '0.01'), title: 'an infant on a scale of 20 g', context: { ...INFANT, ...scale('0.02') } },
    ],
  },
  'written-decimals': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      passes('70.0', 'kg'),
      passes('70300', 'g'),
      passes('154.5', '[lb_av]'),
      passes('65.5', '[in_i]'),
      passes('3.45', 'kg', INFANT, ' of an infant'),
    ],
    rejects: [
      fewer('70', 'kg', '0.1'),
      fewer('154', '[lb_av]', '0.25'),
      fewer('170', 'cm', '0.1'),
      fewer('65', '[in_i]', '0.125'),
      fewer('3.4', 'kg', '0.005', INFANT),
      { ...fewer('70', 'kg', '0.1'), title: 'on a coarse scale too', context: scale('0.5'), also: { 'scale-coarse': COARSE } },
    ],
  },
  'extra-zeros': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      passes('70.3', 'kg'),
      passes('150.50', '[lb_av]'),
      passes('65.500', '[in_i]'),
      passes('70.30', 'kg', scale('0.05'), ' on a scale of 0.05 kg, which shows two decimals'),
    ],
    rejects: [
      zeros('70.50', 'kg', '0.1'),
      zeros('70300.0', 'g', '100'),
      zeros('150.250', '[lb_av]', '0.25'),
      zeros('65.1250', '[in_i]', '0.125'),
    ],
  },
};

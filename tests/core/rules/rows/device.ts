/** Example rows of the rules about the measuring device. */
import { decimal } from '../../../../src/core/decimal.ts';
import type { DeviceFacts } from '../../../../src/core/reading.ts';
import { height, measured, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const SCALE: DeviceFacts = { key: 'Device/scale-7', known: true };
const of200 = { device: { ...SCALE, capacity: { value: decimal('200'), unit: 'kg' } } } as const;
const on = { device: { reference: 'Device/scale-7' } };
const part = (code: 'gross' | 'tare', value: string, unit: string) => ({
  code: { coding: [{ system: 'https://steelyard.example/fhir/CodeSystem/weighing-component', code }] },
  valueQuantity: measured(value, unit),
});
const inChair = (net: string, gross: string, tare: string, units: readonly [string, string, string] = ['kg', 'kg', 'kg']) =>
  weight(net, units[0], { component: [part('gross', gross, units[1]), part('tare', tare, units[2])] });
const OVERLOAD = 'The registered capacity of this scale is 200 kg, and the load was more. Use a scale with enough capacity.';

export const DEVICE_ROWS: Readonly<Record<string, RuleRows>> = {
  'device-unknown': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.device' },
    accepts: [
      { title: 'a scale that is registered', observation: weight('70.0', 'kg', on), context: { device: SCALE } },
      { title: 'no device named', observation: weight() },
    ],
    rejects: [
      {
        title: 'a scale of which nothing was told',
        observation: weight('70.0', 'kg', on),
        context: { device: { ...SCALE, known: false } },
        message:
          'The service has not been told of this device, so its division and usual method are not known. Send the Device (PUT Device).',
      },
      ...[{ reference: 'https://elsewhere.example/fhir/Device/7' }, { display: 'the scale by the window' }].map((device) => ({
        title: 'reference' in device ? 'a scale on another host' : 'a scale that is only described',
        observation: weight('70.0', 'kg', { device }),
        message:
          'The service has not been told of this device, so its division and usual method are not known. Send the Device (PUT Device).',
      })),
    ],
  },
  'device-capacity': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      { title: 'exactly the capacity', observation: weight('200.0'), context: of200 },
      { title: 'less than the capacity, in pounds', observation: weight('440.75', '[lb_av]'), context: of200 },
      { title: 'a height', observation: height('201.0'), context: of200 },
    ],
    rejects: [
      { title: 'more than the capacity', observation: weight('200.1'), context: of200, message: OVERLOAD },
      { title: 'more than the capacity, in pounds', observation: weight('441.00', '[lb_av]'), context: of200, message: OVERLOAD },
      { title: 'more with the chair', observation: inChair('190.0', '202.0', '12.0'), context: of200, message: OVERLOAD },
    ],
  },
  'device-quarantined': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.device' },
    accepts: [{ title: 'a scale in use', observation: weight('70.0', 'kg', on), context: { device: { ...SCALE, status: 'active' } } }],
    rejects: [
      ...(['inactive', 'entered-in-error'] as const).map((status) => ({
        title: status,
        observation: weight('70.0', 'kg', on),
        context: { device: { ...SCALE, status } },
        message: `This device is registered as ${status}, so its readings wait. Weigh again on another scale.`,
      })),
      {
        title: 'but a withdrawal does not wait',
        observation: weight('70.0', 'kg', { ...on, status: 'entered-in-error' }),
        context: {
          device: { ...SCALE, status: 'inactive' },
          version: 2,
          replaces: { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' },
        },
        outcome: 'warn',
        message: 'This device is registered as inactive, so its readings wait. Weigh again on another scale.',
      },
    ],
  },
  'tare-negative': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.component' },
    accepts: [
      { title: 'nothing to subtract', observation: inChair('70.0', '70.0', '0.0') },
      { title: 'a chair', observation: inChair('70.0', '86.5', '16.5') },
    ],
    rejects: [
      {
        title: 'less than nothing',
        observation: inChair('70.0', '60.0', '-10.0'),
        message:
          'The tare is below zero, and no chair, cushion or sling weighs less than nothing. Zero the scale, and weigh the chair again.',
      },
    ],
  },
  'tare-arithmetic': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      { title: 'net is gross less tare', observation: inChair('70.0', '82.5', '12.5') },
      { title: 'units that were rounded each', observation: inChair('70.0', '181.75', '12.5', ['kg', '[lb_av]', 'kg']) },
      { title: 'only the tare is known', observation: weight('70.0', 'kg', { component: [part('tare', '12.5', 'kg')] }) },
    ],
    rejects: [
      {
        title: 'the chair was not subtracted',
        observation: inChair('82.5', '82.5', '12.5'),
        message:
          'Gross 82.5 kg less tare 12.5 kg is 70 kg, but the weight says 82.5 kg. Check whether the chair was subtracted, and weigh again.',
      },
      {
        title: 'a tenth is missing',
        observation: inChair('69.9', '82.5', '12.5'),
        message:
          'Gross 82.5 kg less tare 12.5 kg is 70 kg, but the weight says 69.9 kg. Check whether the chair was subtracted, and weigh again.',
      },
      {
        title: 'units that cannot have been rounded so far apart',
        observation: inChair('70.0', '182.50', '12.5', ['kg', '[lb_av]', 'kg']),
        message:
          'Gross 182.50 [lb_av] less tare 12.5 kg is 70.280607525 kg, but the weight says 70.0 kg. Check whether the chair was subtracted, and weigh again.',
      },
    ],
  },
};

/** Example rows of the rules about the measuring device. */
import { decimal } from '../../../../src/core/decimal.ts';
import type { DeviceFacts } from '../../../../src/core/reading.ts';
import { height, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';
import { inChair } from './tare.ts';

const SCALE: DeviceFacts = { key: 'Device/scale-7', known: true };
const of200 = { device: { ...SCALE, capacity: { value: decimal('200'), unit: 'kg' } } } as const;
const on = { device: { reference: 'Device/scale-7' } };
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
};

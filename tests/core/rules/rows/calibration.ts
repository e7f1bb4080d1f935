/** Example rows of the rules about zero checks, calibration and the ward of a scale. */
import { checksOf } from '../../../../src/core/calibration.ts';
import type { DeviceFacts } from '../../../../src/core/reading.ts';
import { ADA, height, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

type Metric = Parameters<typeof checksOf>[1];
type Calibration = NonNullable<Metric['calibration']>[number];

const SCALE: DeviceFacts = { key: 'Device/scale-7', known: true };
const METER: Metric = {
  resourceType: 'DeviceMetric',
  type: { text: 'mass' },
  category: 'measurement',
  source: { reference: 'Device/scale-7' },
};
const checked = (calibration: Calibration[], changes: Partial<Metric> = {}) => ({
  device: { ...SCALE, checks: checksOf('DeviceMetric/mass-7', { ...METER, ...changes, calibration }) },
});
const entry = (type: Calibration['type'], state: Calibration['state'], time?: string): Calibration => ({
  ...(type && { type }),
  ...(state && { state }),
  ...(time !== undefined && { time }),
});
const on = { device: { reference: 'Device/scale-7' } };
const weighed = weight('70.0', 'kg', on);
const stated = weight('70.0', 'kg', {
  ...on,
  code: {
    coding: [
      { system: 'http://loinc.org', code: '3142-7' },
      { system: 'http://loinc.org', code: '29463-7' },
    ],
  },
});
const withdrawn = {
  version: 2,
  replaces: { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' },
} as const;
const YESTERDAY = '2026-03-01T08:00:00Z';
const as = (outcome: 'hold' | 'warn') => ({ outcome, code: 'business-rule', expression: 'Observation.device' }) as const;
const CENTIMETRES = { coding: [{ system: 'http://unitsofmeasure.org', code: 'cm' }] };

const zeroFailed = (state: string): string =>
  `By the last zero check before the reading this scale is ${state} (DeviceMetric/mass-7), so its readings wait. Zero the empty scale, send the check (PUT DeviceMetric), and weigh again.`;
const zeroOld = (time: string): string =>
  `The last zero check of this scale was at ${time} (DeviceMetric/mass-7), more than 24 hours before the reading. Check that the empty scale shows zero, and send the check (PUT DeviceMetric).`;
const required = (state: string): string =>
  `This scale is ${state} (DeviceMetric/mass-7), so its readings wait. Weigh again on another scale, and have this one calibrated.`;
const overdue = (time: string): string =>
  `This scale was last calibrated at ${time} (DeviceMetric/mass-7), more than 365 days before the reading. Weigh again on another scale, and have this one calibrated.`;

export const CALIBRATION_ROWS: Readonly<Record<string, RuleRows>> = {
  'zero-check-failed': {
    as: as('hold'),
    accepts: [
      { title: 'no meter is known', observation: weighed, context: { device: SCALE } },
      { title: 'a good check', observation: weighed, context: checked([entry('offset', 'calibrated', '2026-03-02T07:00:00Z')]) },
      {
        title: 'a good check after one that failed',
        observation: weighed,
        context: checked([
          entry('offset', 'calibration-required', '2026-03-02T06:00:00Z'),
          entry('offset', 'calibrated', '2026-03-02T07:00:00Z'),
        ]),
      },
      {
        title: 'a check that failed after the reading',
        observation: weighed,
        context: checked([
          entry('offset', 'calibrated', '2026-03-02T07:00:00Z'),
          entry('offset', 'calibration-required', '2026-03-02T09:00:00Z'),
        ]),
      },
      { title: 'a stated weight', observation: stated, context: checked([entry('offset', 'not-calibrated')]) },
      {
        title: 'a withdrawal',
        observation: weight('70.0', 'kg', { ...on, status: 'entered-in-error' }),
        context: { ...withdrawn, ...checked([entry('offset', 'not-calibrated')]) },
      },
      {
        title: 'a two-point calibration, of which another rule speaks',
        observation: weighed,
        context: checked([entry('two-point', 'not-calibrated')]),
        also: { 'calibration-required': 'one entry is one cause' },
      },
      {
        title: 'the meter of heights',
        observation: weighed,
        context: checked([entry('offset', 'not-calibrated')], { unit: CENTIMETRES }),
      },
      {
        title: 'a meter that was entered in error',
        observation: weighed,
        context: checked([entry('offset', 'not-calibrated')], { operationalStatus: 'entered-in-error' }),
      },
    ],
    rejects: [
      {
        title: 'the last check failed',
        observation: weighed,
        context: checked([
          entry('offset', 'calibrated', '2026-03-02T06:00:00Z'),
          entry('offset', 'calibration-required', '2026-03-02T08:00:00Z'),
        ]),
        message: zeroFailed('calibration-required'),
      },
      {
        title: 'not checked as things stand now',
        observation: weighed,
        context: checked([entry('offset', 'calibrated', '2026-03-02T07:00:00Z'), entry('offset', 'not-calibrated')]),
        message: zeroFailed('not-calibrated'),
      },
      {
        title: 'a check that failed in the evening of the day of a reading without a time',
        observation: weight('70.0', 'kg', { ...on, effectiveDateTime: '2026-03-02' }),
        context: checked([
          entry('offset', 'calibration-required', '2026-03-02T06:00:00Z'),
          entry('offset', 'calibrated', '2026-03-02T07:00:00Z'),
        ]),
        message: zeroFailed('calibration-required'),
      },
      {
        title: 'the meter of heights, for a height',
        observation: height('170.0', 'cm', on),
        context: checked([entry('offset', 'not-calibrated')], { unit: CENTIMETRES }),
        message: zeroFailed('not-calibrated'),
      },
    ],
  },
  'zero-check-old': {
    as: as('warn'),
    accepts: [
      { title: 'exactly a day old', observation: weighed, context: checked([entry('offset', 'calibrated', YESTERDAY)]) },
      { title: 'good as things stand now', observation: weighed, context: checked([entry('offset', 'calibrated')]) },
      {
        title: 'only a calibration is known',
        observation: weighed,
        context: checked([entry('gain', 'calibrated', '2026-01-02T08:00:00Z')]),
      },
      {
        title: 'a check after the reading only',
        observation: weighed,
        context: checked([entry('offset', 'calibrated', '2026-03-02T08:00:01Z')]),
      },
    ],
    rejects: [
      {
        title: 'a second older than a day',
        observation: weighed,
        context: checked([entry('offset', 'calibrated', '2026-03-01T07:59:59Z')]),
        message: zeroOld('2026-03-01T07:59:59Z'),
      },
      {
        title: 'a two-point calibration is the last check',
        observation: weighed,
        context: checked([entry('two-point', 'calibrated', '2026-02-01T08:00:00Z')]),
        message: zeroOld('2026-02-01T08:00:00Z'),
      },
      {
        title: 'a reading without a time is counted to the end of its day',
        observation: weight('70.0', 'kg', { ...on, effectiveDateTime: '2026-03-02' }),
        context: checked([entry('offset', 'calibrated', YESTERDAY)]),
        message: zeroOld(YESTERDAY),
      },
    ],
  },
  'calibration-required': {
    as: as('hold'),
    accepts: [
      { title: 'calibrated', observation: weighed, context: checked([entry('gain', 'calibrated', '2026-01-02T08:00:00Z')]) },
      {
        title: 'the state is not specified',
        observation: weighed,
        context: checked([entry('gain', 'unspecified', '2026-01-04T08:00:00Z')]),
      },
      {
        title: 'calibrated since',
        observation: weighed,
        context: checked([
          entry('gain', 'calibration-required', '2026-01-02T08:00:00Z'),
          entry('gain', 'calibrated', '2026-01-03T08:00:00Z'),
        ]),
      },
    ],
    rejects: [
      {
        title: 'required, by a gain',
        observation: weighed,
        context: checked([entry('gain', 'calibration-required')]),
        message: required('calibration-required'),
      },
      {
        title: 'never calibrated, by a type that is not given',
        observation: weighed,
        context: checked([entry(undefined, 'not-calibrated')]),
        message: required('not-calibrated'),
      },
      {
        title: 'by a type that is not specified',
        observation: weighed,
        context: checked([entry('unspecified', 'calibration-required', YESTERDAY)]),
        message: required('calibration-required'),
      },
      {
        title: 'by two points',
        observation: weighed,
        context: checked([entry('two-point', 'calibration-required', YESTERDAY)]),
        message: required('calibration-required'),
      },
    ],
  },
  'calibration-overdue': {
    as: as('hold'),
    accepts: [
      { title: 'exactly a year old', observation: weighed, context: checked([entry('gain', 'calibrated', '2025-03-02T08:00:00Z')]) },
      {
        title: 'only a zero check is known',
        observation: weighed,
        context: checked([entry('offset', 'calibrated', '2026-03-02T07:00:00Z')]),
      },
      {
        title: 'required, of which another rule speaks',
        observation: weighed,
        context: checked([entry('gain', 'calibration-required', '2024-03-02T08:00:00Z')]),
        also: { 'calibration-required': 'that is the cause' },
      },
    ],
    rejects: [
      {
        title: 'a second older than a year',
        observation: weighed,
        context: checked([entry('gain', 'calibrated', '2025-03-02T07:59:59Z')]),
        message: overdue('2025-03-02T07:59:59Z'),
      },
      {
        title: 'the older of two meters',
        observation: weighed,
        context: {
          device: {
            ...SCALE,
            checks: [
              ...checksOf('DeviceMetric/mass-8', { ...METER, calibration: [entry('gain', 'calibrated', '2026-01-02T08:00:00Z')] }),
              ...checksOf('DeviceMetric/mass-7', { ...METER, calibration: [entry('gain', 'calibrated', '2024-01-02T08:00:00Z')] }),
            ],
          },
        },
        message: overdue('2024-01-02T08:00:00Z'),
      },
    ],
  },
  'scale-other-ward': {
    as: as('warn'),
    accepts: [
      {
        title: 'the ward of the person',
        observation: weighed,
        context: { device: { ...SCALE, ward: 'Location/harbourlight' }, person: { ...ADA, ward: 'Location/harbourlight' } },
      },
      { title: 'a person whose ward is not known', observation: weighed, context: { device: { ...SCALE, ward: 'Location/harbourlight' } } },
      {
        title: 'a scale whose ward is not known',
        observation: weighed,
        context: { device: SCALE, person: { ...ADA, ward: 'Location/harbourlight' } },
      },
      {
        title: 'a stated weight',
        observation: stated,
        context: { device: { ...SCALE, ward: 'Location/lanternrow' }, person: { ...ADA, ward: 'Location/harbourlight' } },
      },
    ],
    rejects: [
      {
        title: 'another ward',
        observation: weighed,
        context: { device: { ...SCALE, ward: 'Location/lanternrow' }, person: { ...ADA, ward: 'Location/harbourlight' } },
        message:
          'This scale stands on Location/lanternrow, which is not the ward of this person. Check who was on the scale, and tell the service where person and scale are now.',
      },
    ],
  },
};

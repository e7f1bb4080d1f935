/** Example rows of the rules about what was subtracted: chairs, cushions, slings, linen. */
import { parseDateTime, type Effective } from '../../../../src/core/fhir-time.ts';
import { quantity, type Quantity, type UnitCode } from '../../../../src/core/quantity.ts';
import type { TareFacts } from '../../../../src/core/reading.ts';
import { OURS } from '../../../../src/core/terminology.ts';
import { ADA, measured, weight, type Changes } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const part = (code: 'gross' | 'tare', value: string, unit: string) => ({
  code: { coding: [{ system: 'https://steelyard.example/fhir/CodeSystem/weighing-component', code }] },
  valueQuantity: measured(value, unit),
});
export const inChair = (net: string, gross: string, tare: string, units: readonly [string, string, string] = ['kg', 'kg', 'kg']) =>
  weight(net, units[0], { component: [part('gross', gross, units[1]), part('tare', tare, units[2])] });

const at = (text: string): Effective => parseDateTime(text) as Effective;
const mass = (text: string, unit: UnitCode = 'kg'): Quantity => quantity(text, unit) as Quantity;
/** Ada's chair, weighed a month before the readings of these rows. */
const CHAIR: TareFacts = {
  key: 'Device/chair-7',
  known: true,
  kind: 'wheelchair',
  mass: mass('14.3'),
  establishedAt: at('2026-02-01T08:00:00Z'),
  person: 'Patient/ada',
};
const CUSHION: TareFacts = { key: 'Device/cushion-2', known: true, kind: 'cushion', mass: mass('1.2'), establishedAt: at('2026-02-01') };
const { mass: _mass, establishedAt: _at, ...UNWEIGHED } = CHAIR;
const names = (...chairs: string[]) => ({
  extension: chairs.map((reference) => ({ url: OURS.tareDeviceExtension, valueReference: { reference } })),
});
const PLATFORM = { coding: [{ system: OURS.methodSystem, code: 'wheelchair-platform' }] };
const onPlatform = (changes: Changes = {}) => weight('70.0', 'kg', { method: PLATFORM, ...changes });
const named = (changes: Changes = {}) => weight('70.0', 'kg', { ...names('Device/chair-7'), ...changes });
const withTare = (tare: string, unit = 'kg') => named({ component: [part('tare', tare, unit)] });
const withGross = (gross: string) => named({ component: [part('gross', gross, 'kg')] });
const withdrawn = {
  version: 2,
  replaces: { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' },
} as const;
const STATED = {
  code: {
    coding: [
      { system: 'http://loinc.org', code: '3142-7' },
      { system: 'http://loinc.org', code: '29463-7' },
    ],
  },
};
const holds = (expression: string) => ({ outcome: 'hold', code: 'business-rule', expression }) as const;
const NOTHING =
  'The person was weighed in a wheelchair, and nothing says that the chair was subtracted: there is no tare above zero, no gross mass above the weight, and no chair is named. Send the tare or name the chair (extension tare-device), or weigh again.';
const unknownChair = (chair: string): string =>
  `The reading names ${chair} as subtracted, and the service knows no mass of it. Weigh it empty and register its tare (PUT Device with tare-mass), then correct the reading.`;
const expired = (established: string): string =>
  `The tare of Device/chair-7 (wheelchair) was established on ${established}, more than 90 days before the reading. Weigh it empty with the same cushions and footrests, register the new tare, and weigh again.`;

export const TARE_ROWS: Readonly<Record<string, RuleRows>> = {
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
      { title: 'grams and kilograms', observation: inChair('70.0', '82.5', '12500', ['kg', 'kg', 'g']) },
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
        title: 'a gram is missing between metric units',
        observation: inChair('70.0', '82.5', '12499', ['kg', 'kg', 'g']),
        message:
          'Gross 82.5 kg less tare 12499 g is 70.001 kg, but the weight says 70.0 kg. Check whether the chair was subtracted, and weigh again.',
      },
      {
        title: 'a chair that is named by its mass alone',
        observation: withGross('84.4'),
        context: { tareDevices: [CHAIR] },
        message:
          'Gross 84.4 kg less tare 14.3 kg is 70.1 kg, but the weight says 70.0 kg. Check whether the chair was subtracted, and weigh again.',
      },
      {
        title: 'units that cannot have been rounded so far apart',
        observation: inChair('70.0', '182.50', '12.5', ['kg', '[lb_av]', 'kg']),
        message:
          'Gross 182.50 [lb_av] less tare 12.5 kg is 70.280607525 kg, but the weight says 70.0 kg. Check whether the chair was subtracted, and weigh again.',
      },
    ],
  },

  'tare-missing': {
    as: holds('Observation.component'),
    accepts: [
      { title: 'a tare', observation: onPlatform({ component: [part('tare', '14.3', 'kg')] }) },
      { title: 'gross above net', observation: onPlatform({ component: [part('gross', '84.3', 'kg')] }) },
      { title: 'a chair that is named', observation: onPlatform(names('Device/chair-7')), context: { tareDevices: [CHAIR] } },
      { title: 'another method', observation: weight() },
      { title: 'stated by the person', observation: onPlatform(STATED) },
      { title: 'a withdrawal', observation: onPlatform({ status: 'entered-in-error' }), context: withdrawn },
      {
        title: 'a tare below zero, of which another rule speaks',
        observation: onPlatform({ component: [part('tare', '-1.0', 'kg')] }),
        also: { 'tare-negative': 'that is the cause' },
      },
    ],
    rejects: [
      { title: 'nothing at all', observation: onPlatform(), message: NOTHING },
      { title: 'a tare of zero', observation: onPlatform({ component: [part('tare', '0.0', 'kg')] }), message: NOTHING },
      { title: 'gross that is net', observation: onPlatform({ component: [part('gross', '70.0', 'kg')] }), message: NOTHING },
      {
        title: 'by the usual method of the scale',
        observation: weight('70.0', 'kg', { device: { reference: 'Device/p' } }),
        context: { device: { key: 'Device/p', known: true, defaultMethod: 'wheelchair-platform' } },
        message: NOTHING,
      },
    ],
  },
  'tare-unknown': {
    as: holds('Observation.extension'),
    accepts: [
      { title: 'a chair with a tare', observation: named(), context: { tareDevices: [CHAIR] } },
      { title: 'no chair named', observation: weight() },
      {
        title: 'a withdrawal',
        observation: named({ status: 'entered-in-error' }),
        context: { ...withdrawn, tareDevices: [UNWEIGHED] },
      },
    ],
    rejects: [
      {
        title: 'a chair that is registered without a tare',
        observation: named(),
        context: { tareDevices: [UNWEIGHED] },
        message: unknownChair('Device/chair-7 (wheelchair)'),
      },
      {
        title: 'a chair of which nothing was told',
        observation: named(),
        context: { tareDevices: [{ key: 'Device/chair-9', known: false }] },
        message: unknownChair('Device/chair-9'),
      },
      {
        title: 'one of two, named on the tare component',
        observation: weight('70.0', 'kg', {
          component: [{ ...part('tare', '15.5', 'kg'), ...names('Device/chair-9', 'Device/cushion-2') }],
        }),
        context: { tareDevices: [{ key: 'Device/chair-9', known: false }, CUSHION] },
        expression: 'Observation.component',
        message: unknownChair('Device/chair-9'),
      },
    ],
  },
  'tare-expired': {
    as: holds('Observation.extension'),
    accepts: [
      {
        title: 'exactly ninety days old',
        observation: named(),
        context: { tareDevices: [{ ...CHAIR, establishedAt: at('2025-12-02T08:00:00Z') }] },
      },
      {
        title: 'established after the reading',
        observation: named({ effectiveDateTime: '2026-03-01T08:00:00Z' }),
        context: { tareDevices: [{ ...CHAIR, establishedAt: at('2026-03-02T07:00:00Z') }] },
      },
    ],
    rejects: [
      {
        title: 'a second older than ninety days',
        observation: named(),
        context: { tareDevices: [{ ...CHAIR, establishedAt: at('2025-12-02T07:59:59Z') }] },
        message: expired('2025-12-02'),
      },
      {
        title: 'a day without a time may have begun earlier',
        observation: named(),
        context: { tareDevices: [{ ...CHAIR, establishedAt: at('2025-12-02') }] },
        message: expired('2025-12-02'),
      },
      {
        title: 'a reading without a time may have been later',
        observation: named({ effectiveDateTime: '2026-03-02' }),
        context: { tareDevices: [{ ...CHAIR, establishedAt: at('2025-12-02T08:00:00Z') }] },
        message: expired('2025-12-02'),
      },
    ],
  },
  'tare-other-person': {
    as: holds('Observation.extension'),
    accepts: [
      { title: 'the chair of this person', observation: named(), context: { tareDevices: [CHAIR] } },
      { title: 'a chair of the ward', observation: named(), context: { tareDevices: [{ ...CUSHION, key: 'Device/chair-7' }] } },
    ],
    rejects: [
      {
        title: 'the chair of somebody else',
        observation: named(),
        context: { tareDevices: [{ ...CHAIR, person: 'Patient/bo' }] },
        message:
          'The reading names Device/chair-7 (wheelchair) as subtracted, which is registered as another person’s. Check which chair was on the scale and who sat in it, and weigh again.',
      },
      {
        title: 'a person of whom nothing is known but an identifier',
        observation: named({ subject: { identifier: { system: 'urn:wristband', value: 'N-7' } } }),
        context: { person: { ...ADA, key: 'identifier:urn:wristband|N-7' }, tareDevices: [CHAIR] },
        message:
          'The reading names Device/chair-7 (wheelchair) as subtracted, which is registered as another person’s. Check which chair was on the scale and who sat in it, and weigh again.',
      },
    ],
  },
  'tare-differs': {
    as: holds('Observation.component'),
    accepts: [
      { title: 'the tare of the chair', observation: withTare('14.3'), context: { tareDevices: [CHAIR] } },
      { title: 'the same in grams', observation: withTare('14300', 'g'), context: { tareDevices: [CHAIR] } },
      { title: 'chair and cushion', observation: withTare('15.5'), context: { tareDevices: [CHAIR, CUSHION] } },
      { title: 'pounds, within a step of each', observation: withTare('31.75', '[lb_av]'), context: { tareDevices: [CHAIR] } },
      { title: 'no tare component', observation: named(), context: { tareDevices: [CHAIR] } },
      {
        title: 'a chair of unknown mass, of which another rule speaks',
        observation: withTare('14.4'),
        context: { tareDevices: [UNWEIGHED] },
        also: { 'tare-unknown': 'its mass is not known' },
      },
      { title: 'net is gross less the chair', observation: withGross('84.3'), context: { tareDevices: [CHAIR] } },
      {
        title: 'net is not gross less the chair, of which another rule speaks',
        observation: withGross('84.4'),
        context: { tareDevices: [CHAIR] },
        also: { 'tare-arithmetic': 'gross and net disagree, and no tare was sent' },
      },
    ],
    rejects: [
      {
        title: 'a tenth more',
        observation: withTare('14.4'),
        context: { tareDevices: [CHAIR] },
        message:
          'The tare says 14.4 kg, but what is named as subtracted weighs 14.3 kg: Device/chair-7 (wheelchair). Check what was on the scale, weigh the chair empty, and weigh again.',
      },
      {
        title: 'the cushion was forgotten',
        observation: withTare('14.3'),
        context: { tareDevices: [CHAIR, CUSHION] },
        message:
          'The tare says 14.3 kg, but what is named as subtracted weighs 15.5 kg: Device/chair-7 (wheelchair), Device/cushion-2 (cushion). Check what was on the scale, weigh the chair empty, and weigh again.',
      },
      {
        title: 'pounds, further apart than a step of each',
        observation: withTare('32.25', '[lb_av]'),
        context: { tareDevices: [CHAIR] },
        message:
          'The tare says 32.25 [lb_av], but what is named as subtracted weighs 14.3 kg: Device/chair-7 (wheelchair). Check what was on the scale, weigh the chair empty, and weigh again.',
      },
      {
        title: 'a tare of zero',
        observation: withTare('0.0'),
        context: { tareDevices: [CHAIR] },
        message:
          'The tare says 0.0 kg, but what is named as subtracted weighs 14.3 kg: Device/chair-7 (wheelchair). Check what was on the scale, weigh the chair empty, and weigh again.',
      },
    ],
  },
};

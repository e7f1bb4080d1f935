/** The measuring device: what is known of it, and whether it may be used. */
import { compare, toShortestText } from '../decimal.ts';
import { UNITS, inBaseUnit } from '../quantity.ts';
import { devicePointer } from '../pointers.ts';
import { VALUE_NUMBER, type Rule } from './rule.ts';

const deviceUnknown: Rule = {
  id: 'device-unknown',
  title: 'Nothing is known of the scale',
  family: 'device',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: 'Observation.device',
  source: 'local policy',
  explain: 'The service has not been told of this device, so its division and usual method are not known. Send the Device (PUT Device).',
  check: ({ observation, context: { device, knownBases } }) => {
    const { kind } = devicePointer(observation, knownBases);
    const isNamed = kind !== 'missing' && kind !== 'contained'; // a contained one describes itself
    return isNamed && !device?.known ? {} : undefined;
  },
};

const deviceOverload: Rule = {
  id: 'device-capacity',
  title: 'More than the scale can weigh',
  family: 'device',
  outcome: 'refuse',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'OIML R 76-1, maximum capacity',
  explain: 'The registered capacity of this scale is {capacity}, and the load was more. Use a scale with enough capacity.',
  check: ({ context: { device }, quantity, reading }) => {
    const capacity = device?.capacity;
    if (capacity === undefined || quantity === undefined || UNITS[capacity.unit].of !== UNITS[quantity.unit].of) return undefined;
    const load = reading?.gross ?? quantity;
    const over = compare(inBaseUnit(load), inBaseUnit(capacity)) > 0;
    return over ? { facts: { capacity: `${toShortestText(capacity.value)} ${capacity.unit}` } } : undefined;
  },
};

const deviceQuarantined: Rule = {
  id: 'device-quarantined',
  title: 'The scale is out of use',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: 'Observation.device',
  source: 'HL7 FHIR R4 (4.0.1), Device.status; common practice: a scale in doubt is not used',
  explain: 'This device is registered as {status}, so its readings wait. Weigh again on another scale.',
  check: ({ context: { device } }) =>
    device?.status === 'inactive' || device?.status === 'entered-in-error' ? { facts: { status: device.status } } : undefined,
};

/** Raised when a Patient or Device is taken in: what judging depends on is never silently ignored. */
export const registryFactUnusable: Rule = {
  id: 'registry-fact-unusable',
  title: 'A fact about a person or scale that cannot be used',
  family: 'device',
  outcome: 'refuse',
  movable: false,
  code: 'value',
  expression: 'Device.extension',
  source: 'local policy: a fact that judging depends on is refused rather than ignored',
  explain: '{what} cannot be used: it must be {form}. Send it so, or leave it out.',
};

export const DEVICE_RULES: readonly Rule[] = [deviceUnknown, deviceOverload, deviceQuarantined, registryFactUnusable];

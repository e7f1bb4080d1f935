/**
 * What was subtracted: do gross, tare and net agree to the digit, and is the tare that of a chair
 * which is known, recent and this person's? Whether a chair was forgotten or subtracted twice is
 * told from the change of weight, see `mixup.ts`.
 */
import { compare, isNegative, isZero, subtract, toShortestText } from '../decimal.ts';
import { DAY_MS } from '../fhir-time.ts';
import type { ExactObservation } from '../observation.ts';
import { describeQuantity, inBaseUnit } from '../quantity.ts';
import type { Reading, TareFacts } from '../reading.ts';
import { magnitude } from '../serial/change.ts';
import { describeTareDevice, roundingOf, sumOfTares } from '../tare.ts';
import { OURS } from '../terminology.ts';
import { VALUE_NUMBER, type Hit, type Rule, type Subject } from './rule.ts';

const COMPONENT = 'Observation.component';
const EXTENSION = 'Observation.extension';
const CHAIR = 'nursing practice: weigh the chair empty with the same cushions and footrests, or use its stored weight';

/** A measured weight with a number that its sender vouches for: only such a one needs evidence. */
function asked({ reading }: Subject): (Reading & { readonly quantity: NonNullable<Reading['quantity']> }) | undefined {
  const { of, basis, status, quantity } = reading ?? {};
  if (reading === undefined || quantity === undefined || of !== 'weight' || status === 'entered-in-error') return undefined;
  return basis === 'measured' || basis === 'birth' ? { ...reading, quantity } : undefined;
}

/** One hit for each thing that is named and of which something is the matter. */
function eachNamed(subject: Subject, factsOf: (named: TareFacts, reading: Reading) => Hit['facts'] | undefined): Hit[] {
  const reading = asked(subject);
  if (reading === undefined) return [];
  return (subject.context.tareDevices ?? []).flatMap((named) => {
    const facts = factsOf(named, reading);
    return facts ? [{ facts: { ...facts, chair: describeTareDevice(named) }, expression: namedAt(subject.observation) }] : [];
  });
}

function namedAt({ extension }: ExactObservation): string {
  return extension?.some(({ url }) => url === OURS.tareDeviceExtension) ? EXTENSION : COMPONENT;
}

const tareNegative: Rule = {
  id: 'tare-negative',
  title: 'A tare below zero',
  family: 'device',
  outcome: 'refuse',
  movable: true,
  code: 'business-rule',
  expression: COMPONENT,
  source: 'OIML R 76-1, tare: the load that is subtracted; common practice: a chair weighs something',
  explain: 'The tare is below zero, and no chair, cushion or sling weighs less than nothing. Zero the scale, and weigh the chair again.',
  check: ({ reading }) => (reading?.tare !== undefined && isNegative(reading.tare.value) ? {} : undefined),
};

const tareArithmetic: Rule = {
  id: 'tare-arithmetic',
  title: 'Gross, tare and net do not add up',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'OIML R 76-1, net weight is gross minus tare; nursing practice: subtract the chair before recording',
  explain:
    'Gross {gross} less tare {tare} is {difference} kg, but the weight says {net}. Check whether the chair was subtracted, and weigh again.',
  settings: ['precision.kg', 'precision.lb'],
  check: ({ reading, context: { policy } }) => {
    const { gross, tare, quantity } = reading ?? {};
    if (gross === undefined || tare === undefined || quantity === undefined) return undefined;
    const difference = subtract(inBaseUnit(gross), inBaseUnit(tare));
    const apart = magnitude(subtract(inBaseUnit(quantity), difference));
    if (compare(apart, roundingOf([gross.unit, tare.unit, quantity.unit], policy)) <= 0) return undefined;
    return {
      facts: {
        gross: describeQuantity(gross),
        tare: describeQuantity(tare),
        net: describeQuantity(quantity),
        difference: toShortestText(difference),
      },
    };
  },
};

const tareMissing: Rule = {
  id: 'tare-missing',
  title: 'Nothing says that the chair was subtracted',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: COMPONENT,
  source: `${CHAIR}, and subtract it before recording; NHANES 2017-2018 adults with an 18 kg chair left in, computed`,
  explain:
    'The person was weighed in a wheelchair, and nothing says that the chair was subtracted: there is no tare above zero, no gross mass above the weight, and no chair is named. Send the tare or name the chair (extension tare-device), or weigh again.',
  check: (subject) => {
    const reading = asked(subject);
    if (reading?.method !== 'wheelchair-platform' || reading.tareDevices !== undefined) return undefined;
    const { tare, gross, quantity } = reading;
    const isSubtracted = gross !== undefined && compare(inBaseUnit(gross), inBaseUnit(quantity)) > 0;
    return (tare === undefined || isZero(tare.value)) && !isSubtracted ? {} : undefined;
  },
};

const tareUnknown: Rule = {
  id: 'tare-unknown',
  title: 'A chair of unknown mass',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: EXTENSION,
  source: CHAIR,
  explain:
    'The reading names {chair} as subtracted, and the service knows no mass of it. Weigh it empty and register its tare (PUT Device with tare-mass), then correct the reading.',
  check: (subject) => eachNamed(subject, ({ mass }) => (mass === undefined ? {} : undefined)),
};

const tareExpired: Rule = {
  id: 'tare-expired',
  title: 'A tare from long ago',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: EXTENSION,
  source: `common practice, no source, for the interval; ${CHAIR}`,
  explain:
    'The tare of {chair} was established on {established}, more than {days} days before the reading. Weigh it empty with the same cushions and footrests, register the new tare, and weigh again.',
  settings: ['tare.validDays'],
  check: (subject) => {
    const days = subject.context.policy.values['tare.validDays'];
    // the longest that may lie between: a day without a time began at its first moment and ended at its last
    return eachNamed(subject, ({ establishedAt }, { effective }) =>
      establishedAt !== undefined && effective.endMs - establishedAt.startMs > days * DAY_MS
        ? { established: establishedAt.text.slice(0, 'yyyy-mm-dd'.length), days: String(days) }
        : undefined,
    );
  },
};

const tareOtherPerson: Rule = {
  id: 'tare-other-person',
  title: "Another person's chair",
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: EXTENSION,
  source: 'HL7 FHIR R4 (4.0.1), Device.patient; common practice, no source: chairs are mistaken for each other',
  explain:
    'The reading names {chair} as subtracted, which is registered as another person’s. Check which chair was on the scale and who sat in it, and weigh again.',
  check: (subject) => eachNamed(subject, ({ person }, reading) => (person !== undefined && person !== reading.person ? {} : undefined)),
};

const tareDiffers: Rule = {
  id: 'tare-differs',
  title: 'A tare that the named chairs do not weigh',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: COMPONENT,
  source: 'OIML R 76-1, tare; common practice, no source: the stored mass is what is subtracted',
  explain:
    'The tare says {tare}, but what is named as subtracted weighs {sum}: {chairs}. Check what was on the scale, weigh the chair empty, and weigh again.',
  settings: ['precision.kg', 'precision.lb'],
  check: (subject) => {
    const { tareDevices = [], policy } = subject.context;
    const tare = asked(subject)?.tare;
    const sum = sumOfTares(tareDevices);
    if (tare === undefined || isNegative(tare.value) || sum === undefined) return undefined;
    const apart = magnitude(subtract(inBaseUnit(tare), inBaseUnit(sum)));
    const units = [tare.unit, ...tareDevices.flatMap(({ mass }) => mass?.unit ?? [])];
    if (compare(apart, roundingOf(units, policy)) <= 0) return undefined;
    return { facts: { tare: describeQuantity(tare), sum: describeQuantity(sum), chairs: tareDevices.map(describeTareDevice).join(', ') } };
  },
};

export const TARE_RULES: readonly Rule[] = [
  tareNegative,
  tareArithmetic,
  tareMissing,
  tareUnknown,
  tareExpired,
  tareOtherPerson,
  tareDiffers,
];

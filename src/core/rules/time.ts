/** When it was measured: not in the future, not before birth, not suspiciously long ago. */
import { ageAt, DAY_MS, HOUR_MS, parseDateTime } from '../fhir-time.ts';
import { EFFECTIVE, type Rule } from './rule.ts';

/** A day without a time begins up to 14 hours before UTC midnight in the easternmost zone. */
const EASTERNMOST_MS = 14 * HOUR_MS;

const futureTime: Rule = {
  id: 'time-future',
  title: 'Measured in the future',
  family: 'time',
  outcome: 'refuse',
  movable: true,
  code: 'business-rule',
  expression: EFFECTIVE,
  source: 'common practice, no source',
  explain:
    'The time of measuring is ahead of our clock by more than {minutes} minutes. Set the clock of the scale or gateway, then send again.',
  settings: ['time.futureToleranceMinutes'],
  check: ({ effective, context, observation }) => {
    if (effective === undefined) return undefined;
    const minutes = context.policy.values['time.futureToleranceMinutes'];
    const end = observation.effectivePeriod?.end;
    const last = (end === undefined ? undefined : parseDateTime(end)) ?? effective;
    const begins = last.precision === 'day' ? last.startMs - EASTERNMOST_MS : last.startMs;
    return begins > context.nowMs + minutes * 60_000 ? { facts: { minutes: String(minutes) } } : undefined;
  },
};

const oldTime: Rule = {
  id: 'time-old',
  title: 'Measured long ago',
  family: 'time',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: EFFECTIVE,
  source: 'common practice, no source: a clock that lost its battery says the year 2000',
  explain:
    'The time of measuring is more than {days} days ago. Check the clock of the scale; confirm the reading if it really is a late entry.',
  settings: ['time.oldestDays'],
  check: ({ effective, context, observation }) => {
    const days = context.policy.values['time.oldestDays'];
    // a sender's correction is late by nature; what somebody decides or claims is judged like the day it came
    const isCorrection = context.replaces !== undefined && context.instruction === undefined;
    if (effective === undefined || isCorrection || observation.status === 'entered-in-error') return undefined;
    const begun = effective.precision === 'day' ? effective.startMs + DAY_MS : effective.startMs;
    return begun < context.nowMs - days * DAY_MS ? { facts: { days: String(days) } } : undefined;
  },
};

const beforeBirth: Rule = {
  id: 'time-before-birth',
  title: 'Measured before birth',
  family: 'time',
  outcome: 'refuse',
  movable: true,
  code: 'business-rule',
  expression: EFFECTIVE,
  source: 'common practice, no source',
  explain: 'The person was not born yet at the time of measuring. Check the person, the birth date and the clock.',
  check: ({ effective, context: { person } }) => {
    if (effective === undefined || person.birthDate === undefined) return undefined;
    // a birth date is a day of the place of birth: in Auckland it begins while it is still yesterday in UTC
    const latestLocal = ageAt(person.birthDate, effective.startMs + EASTERNMOST_MS);
    return latestLocal !== undefined && latestLocal.oldestDays < 0 ? {} : undefined;
  },
};

const dayOnly: Rule = {
  id: 'time-day-only',
  title: 'Day of measuring without a time',
  family: 'time',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: EFFECTIVE,
  source: 'HL7 FHIR R4 (4.0.1), StructureDefinition vitalsigns, vs-1: a day is enough; common practice: the same time of day each time',
  explain: 'Only the day of measuring is known, so readings cannot be compared at the same time of day. Send date, time and offset.',
  check: ({ effective }) => (effective?.precision === 'day' ? {} : undefined),
};

export const TIME_RULES: readonly Rule[] = [futureTime, oldTime, beforeBirth, dayOnly];

/** Example rows of the rules about when it was measured. The clock says 2026-03-02T10:00:00Z. */
import { ADA, policyWith, weight } from '../../../measurements.ts';
import type { Accept, RuleRows } from '../rule-tester.ts';

const at = (effectiveDateTime: string) => weight('70.0', 'kg', { effectiveDateTime });
const baby = (effectiveDateTime: string) => weight('3.45', 'kg', { effectiveDateTime });
const lasting = (start: string, end: string) => weight('70.0', 'kg', { effectiveDateTime: undefined, effectivePeriod: { start, end } });
const born = (birthDate: string) => ({ person: { ...ADA, birthDate } });
const passes = (title: string, effectiveDateTime: string): Accept => ({ title, observation: at(effectiveDateTime) });
const NOT_BORN = 'The person was not born yet at the time of measuring. Check the person, the birth date and the clock.';

export const TIME_ROWS: Readonly<Record<string, RuleRows>> = {
  'time-future': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.effective' },
    accepts: [
      passes('exactly as far ahead as the policy allows', '2026-03-02T10:05:00Z'),
      passes('an earlier moment that reads later in its own offset', '2026-03-02T19:00:00+09:00'),
      passes('tomorrow, which has begun in the east', '2026-03-03'),
      {
        title: 'as far ahead as another policy allows',
        observation: at('2026-03-02T10:30:00Z'),
        context: { policy: policyWith({ 'time.futureToleranceMinutes': 30 }) },
      },
    ],
    rejects: [
      ['one second beyond the tolerance', '2026-03-02T10:05:01Z'],
      ['a moment that reads earlier in its own offset', '2026-03-02T09:00:00-05:00'],
      ['the day after tomorrow', '2026-03-04'],
    ]
      .map(([title = '', time = '']) => ({ title, observation: at(time) }))
      .concat({ title: 'a period that ends years ahead', observation: lasting('2026-03-02T09:00:00Z', '2099-01-01T00:00:00Z') })
      .map((row) => ({
        ...row,
        message:
          'The time of measuring is ahead of our clock by more than 5 minutes. Set the clock of the scale or gateway, then send again.',
      })),
  },
  'time-old': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.effective' },
    accepts: [
      passes('exactly as old as the policy allows', '2026-01-31T10:00:00Z'),
      passes('a day whose end is not too old', '2026-01-31'),
      {
        title: 'a correction of an old reading',
        observation: weight('70.0', 'kg', { status: 'corrected', effectiveDateTime: '2025-01-31T10:00:00Z' }),
        context: { version: 2, replaces: { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' } },
      },
    ],
    rejects: [
      ['one second older', '2026-01-31T09:59:59Z'],
      ['a day that was over by then', '2026-01-30'],
      ['a clock that lost its battery', '2000-01-01T00:00:00Z'],
    ]
      .map(([title = '', time = '']) => ({ title, observation: at(time) }))
      .concat({
        title: 'a period that began long ago and ends today',
        observation: lasting('2025-12-01T08:00:00Z', '2026-03-02T08:00:00Z'),
      })
      .map((row) => ({
        ...row,
        message:
          'The time of measuring is more than 30 days ago. Check the clock of the scale; confirm the reading if it really is a late entry.',
      })),
  },
  'time-before-birth': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.effective' },
    accepts: [
      { title: 'in the first hour of the day of birth', observation: baby('2026-03-02T00:10:00Z'), context: born('2026-03-02') },
      {
        title: 'at dawn in Auckland, when it is yesterday in UTC',
        observation: baby('2026-03-02T05:30:00+13:00'),
        context: born('2026-03-02'),
      },
      { title: 'the day of birth without a time', observation: baby('2026-03-02'), context: born('2026-03-02') },
      { title: 'within the month of a birth known to the month', observation: baby('2026-03-01T12:00:00Z'), context: born('2026-03') },
    ],
    rejects: [
      { title: 'two days before', observation: baby('2026-02-28T12:00:00Z'), context: born('2026-03-02') },
      { title: 'when the day had begun nowhere on earth', observation: baby('2026-03-01T09:59:59Z'), context: born('2026-03-02') },
      { title: 'the day before, without a time', observation: baby('2026-03-01'), context: born('2026-03-02') },
    ].map((row) => ({ ...row, message: NOT_BORN })),
  },
  'time-day-only': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.effective' },
    accepts: [passes('date and time', '2026-03-02T08:00:00Z')],
    rejects: [
      {
        title: 'a day without a time',
        observation: at('2026-03-02'),
        message: 'Only the day of measuring is known, so readings cannot be compared at the same time of day. Send date, time and offset.',
      },
    ],
  },
};

/**
 * Example rows of the rules about growth charts. Each table holds the one published row that the
 * child needs: WHO Child Growth Standards 2006 (boys, day 274 and day 365), CDC 2000 (boys, 48.5 months).
 */
import type { GrowthTables } from '../../../../src/core/growth/tables.ts';
import type { Context, PersonFacts } from '../../../../src/core/reading.ts';
import { CDC_ROWS, tablesOf, WHO_SD_COLUMNS } from '../../../published/growth-examples.ts';
import { ADA, height, policyWith, reading, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const VALUE = 'Observation.value.ofType(Quantity).value';
const INFORM = { outcome: 'inform', code: 'informational', expression: VALUE } as const;

const boy = (birthDate: string, changes: Partial<PersonFacts> = {}): PersonFacts => ({ ...ADA, sex: 'male', birthDate, ...changes });
/** 274 and 365 days, 48 months old on 2 March 2026. */
const NINE_MONTHS = boy('2025-06-01');
const ONE_YEAR = boy('2025-03-02');
const FOUR_YEARS = boy('2022-03-02');

const rowOf = (title: string): GrowthTables => tablesOf(WHO_SD_COLUMNS.find((one) => one.title === title)!.row);
const WEIGHT_TABLE = rowOf('weight of boys on day 274');
const LENGTH_TABLE = rowOf('length of boys on day 365');
const BMI_TABLE = tablesOf(CDC_ROWS.boyBmi48);

const nineMonths = (changes: Partial<Context> = {}): Partial<Context> => ({ person: NINE_MONTHS, growth: WEIGHT_TABLE, ...changes });
const measuredToday = (cm: string): Partial<Context> => ({
  person: FOUR_YEARS,
  growth: BMI_TABLE,
  history: [reading(height(cm, 'cm', { effectiveDateTime: '2026-03-02T07:55:00Z' }), 'h0')],
});
const coded = (code: string) => ({ code: { coding: [{ system: 'http://loinc.org', code }] } });
const CONFIRM = 'Such a value is not necessarily wrong: check person, birth date, unit and tare, and measure again to confirm it.';
const WHO_WEIGHT = 'WHO Child Growth Standards 2006, weight-for-age, 0 to 5 years';
const SUPPLY = 'Supply the published tables (STEELYARD_GROWTH_TABLES).';

export const GROWTH_ROWS: Readonly<Record<string, RuleRows>> = {
  'growth-implausible': {
    as: { outcome: 'hold', code: 'business-rule', expression: VALUE },
    accepts: [
      { title: 'the last weight below z = +5', observation: weight('14.750'), context: nineMonths() },
      { title: 'the first weight above z = -6', observation: weight('4.130'), context: nineMonths() },
      { title: 'no tables, and inside the age band', observation: weight('15.000'), context: { person: NINE_MONTHS } },
      {
        title: 'turned off by the policy',
        observation: weight('15.000'),
        context: nineMonths({ policy: { ...policyWith({}), outcomes: { 'growth-implausible': 'off' } } }),
      },
      { title: 'a birth date known to the month', observation: weight('15.000'), context: nineMonths({ person: boy('2025-06') }) },
      { title: 'an adult', observation: weight('150.0'), context: { growth: WEIGHT_TABLE } },
      { title: 'a BMI above a modified z of -4', observation: weight('14.4'), context: measuredToday('110.0') },
    ],
    rejects: [
      {
        title: 'a weight above z = +5 that the age band lets pass',
        observation: weight('14.755'),
        context: nineMonths(),
        message: `14.755 kg is outside 4.13 to 14.75 kg, what the published cut-offs leave at this age and sex (${WHO_WEIGHT}). ${CONFIRM}`,
      },
      {
        title: 'a weight outside the age band too, said once',
        observation: weight('16.500'),
        context: nineMonths(),
        message: `16.500 kg is outside 4.13 to 14.75 kg, what the published cut-offs leave at this age and sex (${WHO_WEIGHT}). ${CONFIRM}`,
      },
      {
        title: 'a BMI below a modified z of -4',
        observation: weight('14.3'),
        context: measuredToday('110.0'),
        message: `The BMI of 11.8 kg/m2 from 14.3 kg and 110.0 cm is outside 11.9 to 26.8 kg/m2, what the published cut-offs leave at this age and sex (CDC growth charts 2000, BMI-for-age, 2 to 20 years). ${CONFIRM}`,
      },
    ],
  },
  'growth-tables-missing': {
    as: INFORM,
    accepts: [
      { title: 'the table is there', observation: weight('9.000'), context: nineMonths() },
      { title: 'an adult', observation: weight() },
      { title: 'a sex that no chart knows', observation: weight('9.000'), context: { person: boy('2025-06-01', { sex: 'unknown' }) } },
    ],
    rejects: [
      {
        title: 'no tables at all',
        observation: weight('9.000'),
        context: { person: NINE_MONTHS },
        message: `No growth table for this age and measure was supplied, so 9.000 kg was held against the limits of the whole age band (6 to 11 months) and has no percentile. ${SUPPLY}`,
      },
      {
        title: 'none of lengths',
        observation: height('72.0', 'cm'),
        context: nineMonths(),
        message: `No growth table for this age and measure was supplied, so 72.0 cm was held against the limits of the whole age band (6 to 11 months) and has no percentile. ${SUPPLY}`,
      },
    ],
  },
  'growth-not-assessed': {
    as: INFORM,
    accepts: [
      { title: 'a boy', observation: weight('9.000'), context: nineMonths() },
      { title: 'no tables', observation: weight('9.000'), context: { person: boy('2025-06-01', { sex: 'other' }) } },
    ],
    rejects: [
      {
        title: 'the sex is not known',
        observation: weight('9.000'),
        context: nineMonths({ person: boy('2025-06-01', { sex: 'unknown' }) }),
        message:
          'This measurement was not compared with a growth chart: the sex of this child is not recorded as male or female, and the charts know no other; the limits of the whole age band were applied. Send the Patient with the gender if it is known (PUT Patient).',
      },
      {
        title: 'a table that ends before this age',
        observation: weight('9.100'),
        context: nineMonths({ person: boy('2025-05-31') }),
        message:
          'This measurement was not compared with a growth chart: no published table that was supplied reaches this age; the limits of the whole age band were applied. No action is needed.',
      },
    ],
  },
  'length-height-adjusted': {
    as: INFORM,
    accepts: [
      { title: 'a length lying', observation: height('75.0', 'cm', coded('8306-3')), context: { person: ONE_YEAR, growth: LENGTH_TABLE } },
      { title: 'a position that nobody told', observation: height('75.0'), context: { person: ONE_YEAR, growth: LENGTH_TABLE } },
    ],
    rejects: [
      {
        title: 'a height standing on a chart of lengths',
        observation: height('75.0', 'cm', coded('8308-9')),
        context: { person: ONE_YEAR, growth: LENGTH_TABLE },
        message:
          '75.0 cm was measured standing, and the chart of this age is one of lengths lying: 0.7 cm were added for the comparison alone, and the value is stored as it was sent. No action is needed.',
      },
    ],
  },
};

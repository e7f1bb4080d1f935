/**
 * Measured people of NHANES 2017-2018 (CDC/NCHS, files BMX_J and DEMO_J): weight, standing
 * height, recumbent length and the BMI that CDC published from them. Statistical use only.
 */
import { readFileSync } from 'node:fs';

export interface Person {
  /** Number in the survey, used as the id of an invented Patient. */
  readonly id: string;
  readonly gender: 'male' | 'female';
  /** Gives the age at `EXAMINED`: completed months under 20 years, else completed years. */
  readonly birthDate: string;
  readonly months: number;
  /** Written digits, kg and cm; empty when not measured. */
  readonly weight: string;
  readonly height: string;
  readonly length: string;
  readonly bmi: string;
}

export const EXAMINED = '2026-03-02';

export function readPeople(file: string): Person[] {
  const [header = '', ...lines] = readFileSync(file, 'utf8').trim().split(/\r?\n/);
  const columns = header.split(',');
  return lines.map((line) => {
    const cells = line.split(',');
    const cell = (name: string): string => cells[columns.indexOf(name)] ?? '';
    const months = cell('RIDEXAGM') === '' ? Number(cell('RIDAGEYR')) * 12 : Number(cell('RIDEXAGM'));
    return {
      id: cell('SEQN'),
      gender: cell('RIAGENDR') === '1' ? 'male' : 'female',
      birthDate: bornMonthsBefore(months),
      months,
      weight: cell('BMXWT'),
      height: cell('BMXHT'),
      length: cell('BMXRECUM'),
      bmi: cell('BMXBMI'),
    };
  });
}

/** Ten days more than so many months before the examination, so that the months are completed. */
function bornMonthsBefore(months: number): string {
  const [year = 0, month = 0, day = 0] = EXAMINED.split('-').map(Number);
  return new Date(Date.UTC(year, month - 1 - months, day - 10)).toISOString().slice(0, 10);
}

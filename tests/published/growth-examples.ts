/**
 * Worked examples that CDC and WHO publish for their growth charts, each with the one row of L, M
 * and S that it needs, so that they run without the tables themselves.
 */
import type { GrowthTables, TableId } from '../../src/core/growth/tables.ts';
import type { Lms, Sex } from '../../src/core/growth/z-score.ts';

interface Row extends Lms {
  readonly table: TableId;
  readonly sex: Sex;
  readonly at: number;
}

const row = (table: TableId, sex: Sex, at: number, l: number, m: number, s: number): Row => ({ table, sex, at, l, m, s });

/** CDC/NCHS, Percentile Data Files with LMS Values (2000 growth charts). */
export const CDC_ROWS = {
  boyWeight9: row('cdc-weight-for-age-infant', 'male', 9.5, -0.1600954, 9.476500305, 0.11218624),
  boyBmi48: row('cdc-bmi-for-age', 'male', 48.5, -1.714869347, 15.62817269, 0.071889214),
  boyBmi50: row('cdc-bmi-for-age', 'male', 50.5, -1.850468473, 15.58176458, 0.072306081),
  boyBmi92: row('cdc-bmi-for-age', 'male', 92.5, -3.244108214, 15.67853139, 0.098752593),
  girlBmi114: row('cdc-bmi-for-age', 'female', 114.5, -2.257782149, 16.57626713, 0.132796819),
  girlBmi144: row('cdc-bmi-for-age', 'female', 144.5, -1.975521156, 18.10148804, 0.148361495),
  girlBmi180: row('cdc-bmi-for-age', 'female', 180.5, -2.034893091, 19.9305662, 0.150511645),
  girlBmi184: row('cdc-bmi-for-age', 'female', 184.5, -2.060616513, 20.11172291, 0.150079322),
} as const;

export interface SdColumns {
  readonly title: string;
  readonly row: Row;
  /** Values that WHO prints for z = -3, -2, 0, 2, 3 and, for weight and BMI, 4. */
  readonly printed: readonly (readonly [z: number, value: number])[];
}

const columns = (title: string, at: Row, values: readonly number[]): SdColumns => ({
  title,
  row: at,
  printed: [-3, -2, 0, 2, 3, 4].slice(0, values.length).map((z, index) => [z, values[index] as number] as const),
});

/** WHO Child Growth Standards 2006 and WHO Reference 2007, z-score tables, columns SD3neg to SD4. */
export const WHO_SD_COLUMNS: readonly SdColumns[] = [
  columns(
    'weight of boys on day 0',
    row('who-weight-for-age-0-5', 'male', 0, 0.3487, 3.3464, 0.14602),
    [2.08, 2.459, 3.346, 4.419, 5.031, 5.642],
  ),
  columns(
    'weight of boys on day 274',
    row('who-weight-for-age-0-5', 'male', 274, 0.0917, 8.9019, 0.10881),
    [6.391, 7.145, 8.902, 11.042, 12.279, 13.516],
  ),
  columns(
    'weight of girls on day 365',
    row('who-weight-for-age-0-5', 'female', 365, -0.2022, 8.9462, 0.12267),
    [6.273, 7.041, 8.946, 11.506, 13.114, 14.721],
  ),
  columns(
    'length of boys on day 365',
    row('who-height-for-age-0-5', 'male', 365, 1, 75.7391, 0.03137),
    [68.611, 70.987, 75.739, 80.491, 82.867],
  ),
  columns(
    'BMI of boys on day 731',
    row('who-bmi-for-age-0-5', 'male', 731, -0.6187, 16.0189, 0.07785),
    [12.879, 13.806, 16.019, 18.868, 20.615, 22.362],
  ),
  columns(
    'weight of boys 70 cm long',
    row('who-weight-for-length', 'male', 70, -0.3521, 8.4227, 0.08229),
    [6.647, 7.177, 8.423, 9.979, 10.905, 11.831],
  ),
  columns(
    'weight of girls 90 cm tall',
    row('who-weight-for-height', 'female', 90, -0.3833, 12.6461, 0.08911),
    [9.805, 10.644, 12.646, 15.21, 16.767, 18.323],
  ),
  columns(
    'BMI of girls in month 228',
    row('who-bmi-for-age-5-19', 'female', 228, -0.7496, 21.4269, 0.14441),
    [14.724, 16.497, 21.427, 29.67, 36.179, 42.689],
  ),
  columns(
    'height of boys in month 228',
    row('who-height-for-age-5-19', 'male', 228, 1, 176.5432, 0.04134),
    [154.648, 161.947, 176.543, 191.14, 198.438],
  ),
];

/** Tables that hold one row. */
export function tablesOf({ table, sex, ...lms }: Row): GrowthTables {
  return { version: 'one row', tables: { [table]: { male: [], female: [], [sex]: [lms] } } };
}

/**
 * Adult BMI table of the National Heart, Lung, and Blood Institute: Clinical Guidelines on the
 * Identification, Evaluation, and Treatment of Overweight and Obesity in Adults (NIH, 1998),
 * Body Mass Index Table 1. A work of the United States government.
 *
 * The figures were typed from memory and verified by arithmetic: each printed weight gives the
 * whole BMI at the head of its column when it is computed exactly and rounded half up.
 */
export const NHLBI_TITLE = 'NHLBI Clinical Guidelines (1998), Body Mass Index Table 1';

/** Whole BMI at the head of each column. */
export const NHLBI_BMI = [19, 21, 23, 25, 27, 29, 30, 32, 35] as const;

/** Height in inches, then the weight in pounds under each BMI. */
export const NHLBI_ROWS: readonly (readonly [inches: number, pounds: readonly number[]])[] = [
  [58, [91, 100, 110, 119, 129, 138, 143, 153, 167]],
  [60, [97, 107, 118, 128, 138, 148, 153, 163, 179]],
  [64, [110, 122, 134, 145, 157, 169, 174, 186, 204]],
  [68, [125, 138, 151, 164, 177, 190, 197, 210, 230]],
  [70, [132, 146, 160, 174, 188, 202, 209, 222, 243]],
  [72, [140, 154, 169, 184, 199, 213, 221, 235, 258]],
  [76, [156, 172, 189, 205, 221, 238, 246, 263, 287]],
];

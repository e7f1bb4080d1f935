/**
 * Growth, as a few published figures: L, M and S of weight (kg) and height or length (cm).
 *
 * 2 to 18 years: CDC Growth Charts 2000 (Kuczmarski et al., Vital Health Stat 11(246), 2002), the
 * rows of whole years. 0 to 24 months: WHO Child Growth Standards 2006, a row about every month or
 * three. Between the rows the curve is a cubic through four neighbouring medians (Catmull-Rom), so
 * it is smooth; a value at a z-score is M (1 + L S z)^(1/L) (Cole and Green, Stat Med 1992;11:1305-1319).
 */
import type { Sex } from './population.ts';

interface Row {
  /** Months of age at two years and over, days below. */
  readonly age: number;
  readonly l: number;
  readonly m: number;
  readonly s: number;
}

export type Curve = readonly Row[];

const curve = (rows: readonly (readonly [age: number, l: number, m: number, s: number])[]): Curve =>
  rows.map(([age, l, m, s]) => ({ age, l, m, s }));

export const CHILD_WEIGHT: Readonly<Record<Sex, Curve>> = {
  male: curve([
    [24, -0.206, 12.67, 0.1081],
    [36.5, -0.621, 14.4, 0.1119],
    [48.5, -0.915, 16.32, 0.12],
    [60.5, -1, 18.49, 0.1299],
    [72.5, -1.087, 20.78, 0.1391],
    [84.5, -1.236, 23.17, 0.1473],
    [96.5, -1.352, 25.75, 0.156],
    [108.5, -1.339, 28.68, 0.1667],
    [120.5, -1.207, 32.09, 0.1789],
    [132.5, -1.019, 36.07, 0.19],
    [144.5, -0.837, 40.67, 0.1966],
    [156.5, -0.698, 45.81, 0.1967],
    [168.5, -0.632, 51.23, 0.1908],
    [180.5, -0.666, 56.49, 0.1817],
    [192.5, -0.802, 61.1, 0.1725],
    [204.5, -0.973, 64.7, 0.1656],
    [216.5, -1.066, 67.29, 0.1619],
  ]),
  female: curve([
    [24, -0.735, 12.06, 0.1074],
    [36.5, -1.024, 13.94, 0.1195],
    [48.5, -1.177, 15.88, 0.1318],
    [60.5, -1.288, 18.02, 0.1412],
    [72.5, -1.327, 20.34, 0.1496],
    [84.5, -1.266, 22.87, 0.1597],
    [96.5, -1.128, 25.76, 0.1721],
    [108.5, -0.971, 29.14, 0.1852],
    [120.5, -0.847, 33.06, 0.1959],
    [132.5, -0.787, 37.39, 0.202],
    [144.5, -0.808, 41.83, 0.2023],
    [156.5, -0.916, 45.98, 0.1974],
    [168.5, -1.112, 49.49, 0.1886],
    [180.5, -1.376, 52.14, 0.1779],
    [192.5, -1.651, 53.95, 0.1681],
    [204.5, -1.838, 55.18, 0.1618],
    [216.5, -1.851, 56.23, 0.1604],
  ]),
};

export const CHILD_HEIGHT: Readonly<Record<Sex, Curve>> = {
  male: curve([
    [24, 0.942, 86.45, 0.0403],
    [36.5, -0.391, 95.27, 0.0405],
    [48.5, 0.828, 102.51, 0.0413],
    [60.5, 1.266, 109.18, 0.0426],
    [72.5, 1.137, 115.66, 0.0437],
    [84.5, 0.753, 122.03, 0.0444],
    [96.5, 0.455, 128.12, 0.0451],
    [108.5, 0.416, 133.73, 0.0462],
    [120.5, 0.506, 138.82, 0.0476],
    [132.5, 0.488, 143.73, 0.0489],
    [144.5, 0.421, 149.31, 0.0499],
    [156.5, 0.816, 156.41, 0.0503],
    [168.5, 1.67, 164.14, 0.0489],
    [180.5, 2.205, 170.14, 0.0459],
    [192.5, 2.113, 173.61, 0.0431],
    [204.5, 1.725, 175.34, 0.0414],
    [216.5, 1.4, 176.19, 0.0406],
  ]),
  female: curve([
    [24, 1.072, 84.98, 0.0408],
    [36.5, 0.542, 94.21, 0.042],
    [48.5, 0.226, 101.03, 0.0433],
    [60.5, -0.058, 107.96, 0.0443],
    [72.5, -0.219, 115.01, 0.045],
    [84.5, -0.21, 121.76, 0.0455],
    [96.5, -0.079, 127.83, 0.046],
    [108.5, 0.084, 133.13, 0.0469],
    [120.5, 0.285, 138.21, 0.0487],
    [132.5, 0.744, 144.26, 0.0505],
    [144.5, 1.303, 151.49, 0.0486],
    [156.5, 1.243, 157.34, 0.0439],
    [168.5, 0.957, 160.48, 0.041],
    [180.5, 0.896, 161.9, 0.0401],
    [192.5, 0.941, 162.57, 0.0398],
    [204.5, 1, 162.92, 0.0397],
    [216.5, 1.048, 163.13, 0.0397],
  ]),
};

export const INFANT_WEIGHT: Readonly<Record<Sex, Curve>> = {
  male: curve([
    [0, 0.349, 3.346, 0.146],
    [14, 0.258, 3.753, 0.1414],
    [30, 0.23, 4.452, 0.1341],
    [61, 0.197, 5.571, 0.1238],
    [91, 0.174, 6.369, 0.1173],
    [122, 0.155, 7.007, 0.1131],
    [152, 0.14, 7.508, 0.1108],
    [183, 0.126, 7.939, 0.1096],
    [274, 0.092, 8.902, 0.1088],
    [365, 0.065, 9.646, 0.1092],
    [457, 0.041, 10.314, 0.1101],
    [548, 0.021, 10.939, 0.1112],
    [639, 0.003, 11.547, 0.1126],
    [730, -0.014, 12.148, 0.1143],
  ]),
  female: curve([
    [0, 0.381, 3.232, 0.1417],
    [14, 0.23, 3.569, 0.1434],
    [30, 0.173, 4.172, 0.1374],
    [61, 0.096, 5.131, 0.13],
    [91, 0.041, 5.839, 0.1262],
    [122, -0.005, 6.428, 0.124],
    [152, -0.043, 6.896, 0.1227],
    [183, -0.076, 7.302, 0.122],
    [274, -0.151, 8.226, 0.122],
    [365, -0.202, 8.946, 0.1227],
    [457, -0.238, 9.604, 0.123],
    [548, -0.264, 10.232, 0.1231],
    [639, -0.281, 10.852, 0.1234],
    [730, -0.294, 11.474, 0.1239],
  ]),
};

export const INFANT_LENGTH: Readonly<Record<Sex, Curve>> = {
  male: curve([
    [0, 1, 49.88, 0.0379],
    [14, 1, 52.35, 0.0365],
    [30, 1, 54.66, 0.0356],
    [61, 1, 58.44, 0.0342],
    [91, 1, 61.4, 0.0333],
    [122, 1, 63.9, 0.0326],
    [152, 1, 65.89, 0.032],
    [183, 1, 67.64, 0.0316],
    [274, 1, 71.97, 0.0312],
    [365, 1, 75.74, 0.0314],
    [457, 1, 79.16, 0.032],
    [548, 1, 82.26, 0.0328],
    [639, 1, 85.13, 0.0338],
    [730, 1, 87.8, 0.0348],
  ]),
  female: curve([
    [0, 1, 49.15, 0.0379],
    [14, 1, 51.51, 0.0369],
    [30, 1, 53.63, 0.0364],
    [61, 1, 57.08, 0.0357],
    [91, 1, 59.78, 0.0352],
    [122, 1, 62.11, 0.0349],
    [152, 1, 64.02, 0.0346],
    [183, 1, 65.75, 0.0345],
    [274, 1, 70.15, 0.0344],
    [365, 1, 74, 0.0348],
    [457, 1, 77.53, 0.0353],
    [548, 1, 80.71, 0.036],
    [639, 1, 83.66, 0.0367],
    [730, 1, 86.4, 0.0373],
  ]),
};

/** The value at this age and z-score; ages beyond the rows take the last row's. */
export function grown(rows: Curve, age: number, z: number): number {
  const { l, m, s } = rowAt(rows, age);
  return Math.abs(l) < 0.01 ? m * Math.exp(s * z) : m * (1 + l * s * z) ** (1 / l);
}

function rowAt(rows: Curve, age: number): Omit<Row, 'age'> {
  const at = (index: number): Row => rows[Math.max(0, Math.min(rows.length - 1, index))] as Row;
  const found = rows.findIndex((row) => row.age > age);
  const after = found < 0 ? rows.length - 1 : Math.max(1, found);
  const [before, next] = [at(after - 1), at(after)];
  const share = Math.max(0, Math.min(1, (age - before.age) / (next.age - before.age)));
  const straight = (of: 'l' | 's'): number => before[of] + (next[of] - before[of]) * share;
  return { l: straight('l'), m: smooth([at(after - 2), before, next, at(after + 1)], share), s: straight('s') };
}

/** Hermite's cubic between the two middle rows, its slopes those of the lines through their neighbours. */
function smooth([first, from, to, last]: readonly [Row, Row, Row, Row], share: number): number {
  const width = to.age - from.age;
  const slope = (left: Row, right: Row): number => (width * (right.m - left.m)) / (right.age - left.age);
  const [leaving, arriving] = [slope(first, to), slope(from, last)];
  const rest = 1 - share;
  return (
    from.m * (1 + 2 * share) * rest ** 2 + leaving * share * rest ** 2 + to.m * share ** 2 * (3 - 2 * share) - arriving * share ** 2 * rest
  );
}

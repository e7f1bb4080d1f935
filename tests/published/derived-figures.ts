/** Worked examples for the figures that follow from a weight and a height. */

const COMPUTED = 'computed from the published formula, no printed example';

/** Square metres to four decimals by three formulas. */
export const BODY_SURFACE: readonly {
  readonly cm: string;
  readonly kg: string;
  readonly mosteller: string;
  readonly dubois: string;
  readonly haycock: string;
  readonly source: string;
}[] = [
  {
    cm: '170',
    kg: '70',
    mosteller: '1.8181',
    dubois: '1.8097',
    haycock: '1.8257',
    source: `Mosteller printed as 1.818; the others ${COMPUTED}`,
  },
  { cm: '180', kg: '80', mosteller: '2.0000', dubois: '1.9964', haycock: '2.0066', source: COMPUTED },
  { cm: '160', kg: '60', mosteller: '1.6330', dubois: '1.6221', haycock: '1.6405', source: COMPUTED },
  { cm: '110', kg: '18', mosteller: '0.7416', dubois: '0.7411', haycock: '0.7401', source: COMPUTED },
  { cm: '50', kg: '3.5', mosteller: '0.2205', dubois: '0.2086', haycock: '0.2244', source: COMPUTED },
];

export const IDEAL_WEIGHT: readonly {
  readonly sex: 'male' | 'female';
  readonly inches: string;
  readonly kg: string;
  readonly source: string;
}[] = [
  { sex: 'male', inches: '70', kg: '73.0', source: 'pharmacy course on the calculation of doses, solved problem: man of 70 in' },
  { sex: 'female', inches: '64', kg: '54.7', source: COMPUTED },
  { sex: 'male', inches: '60', kg: '50.0', source: COMPUTED },
  { sex: 'female', inches: '60', kg: '45.5', source: COMPUTED },
];

export const ADJUSTED_WEIGHT: readonly {
  readonly sex: 'male' | 'female';
  readonly inches: string;
  readonly actual: string;
  readonly kg: string;
  readonly source: string;
}[] = [
  {
    sex: 'male',
    inches: '70',
    actual: '190.0',
    kg: '119.8',
    source: 'pharmacy course on the calculation of doses, solved problem: man of 70 in and 190 kg, factor 0.4',
  },
  { sex: 'male', inches: '70', actual: '120.0', kg: '91.8', source: COMPUTED },
];

export const LIMB_LOSS = { measured: '70.0', lost: 'lower-leg-and-foot', percent: '5.9', kg: '74.39', source: COMPUTED } as const;

/** The resident of the long-term care manual: weights in pounds. */
export const LONG_TERM_CARE = {
  title: 'Mrs. J, 169 lb, 172 lb 30 days ago and 192 lb 180 days ago',
  source: "CMS, RAI User's Manual v1.07 (Oct 2011), item K0300, example",
  current: '169',
  thirtyDaysAgo: '172',
  halfYearAgo: '192',
  limits: { thirtyDays: '163.4', halfYear: '172.8' },
  reached: ['long-term-care-loss-180-days'],
} as const;

/** Published worked examples that a service of weights, heights and BMI must agree with. */

export interface BmiExample {
  readonly title: string;
  readonly source: string;
  readonly input: { readonly weight: readonly [digits: string, unit: string]; readonly height: readonly [digits: string, unit: string] };
  /** The printed BMI, with the decimals of the print. */
  readonly expected: string;
  /** Age in whole years, where the example is about a child. */
  readonly years?: number;
}

const CDC = 'CDC, How is BMI calculated (web page, worked examples)';
const CDC_CHILD = 'CDC, Child and Teen BMI Categories (web page, worked examples)';

export const BMI_EXAMPLES: readonly BmiExample[] = [
  {
    title: '150 lb and 65 in',
    source: `${CDC}; printed with the factor 703, the exact factor gives the same two decimals`,
    input: { weight: ['150.0', '[lb_av]'], height: ['65.0', '[in_i]'] },
    expected: '24.96',
  },
  { title: '68 kg and 165 cm', source: CDC, input: { weight: ['68.0', 'kg'], height: ['165.0', 'cm'] }, expected: '24.98' },
  {
    title: '70 kg and 175 cm',
    source: 'WHO Global Database on Body Mass Index, introduction',
    input: { weight: ['70.0', 'kg'], height: ['175.0', 'cm'] },
    expected: '22.9',
  },
  {
    title: '58 kg and 170 cm',
    source: 'WHO Nutrition Landscape Information System, help topic on malnutrition in women',
    input: { weight: ['58.0', 'kg'], height: ['170.0', 'cm'] },
    expected: '20.1',
  },
  {
    title: 'a girl of 12 years, 136 lb and 60 in',
    source: CDC_CHILD,
    input: { weight: ['136.0', '[lb_av]'], height: ['60.0', '[in_i]'] },
    expected: '26.6',
    years: 12,
  },
  {
    title: 'the US Core paediatric example, 20.09414 kg and 111.506 cm',
    source: 'HL7 US Core 7.0.0, examples of body weight, body height and BMI',
    input: { weight: ['20.09414', 'kg'], height: ['111.506', 'cm'] },
    expected: '16.2',
  },
  {
    title: 'the device message whose BMI is right, 80 kg and 180 cm',
    source: 'Swedish national sample of an IHE PCD-01 message',
    input: { weight: ['80.0', 'kg'], height: ['180.0', 'cm'] },
    expected: '24.7',
  },
];

export interface UnitMistake {
  readonly title: string;
  readonly source: string;
  readonly input: { readonly value: string; readonly unit: string; readonly ageMonths: number };
  readonly expected: { readonly meant: string; readonly kilograms: string };
}

export const UNIT_MISTAKES: readonly UnitMistake[] = [
  {
    title: 'a toddler of 25 lb charted as 25 kg',
    source: 'AHRQ PSNet, A Weighty Mistake (Bokser, 2013)',
    input: { value: '25.0', unit: 'kg', ageMonths: 17 },
    expected: { meant: '25.0', kilograms: '11.3' },
  },
];

/** Weight and height exchanged: a genuine slip in a published data set. */
export const EXCHANGED = {
  title: 'weight and height exchanged, 166 kg and 57 cm',
  source: 'Davis (1990), self-reported weight and height, person 12 of the data set (carData)',
  input: { weight: '166.0', height: '57.0' },
  expected: 'held',
} as const;

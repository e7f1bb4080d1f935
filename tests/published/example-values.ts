/** Values that published examples carry, and what becomes of each under the precision rule. */

export interface ExampleValue {
  readonly of: 'weight' | 'height';
  readonly value: string;
  readonly unit: string;
  readonly source: string;
  readonly status: 201 | 202 | 422;
  /** The rules that are named, beyond what is not known of the person. */
  readonly rules: readonly string[];
}

const R4 = 'HL7 FHIR R4 (4.0.1)';
const PRECISION = 'Service requirements, precision: 0.1 kg or 1/4 lb; 0.1 cm or 1/8 in';

export const EXAMPLE_VALUES: readonly ExampleValue[] = [
  { of: 'weight', value: '20.09414', unit: 'kg', source: 'HL7 US Core 7.0.0, body weight example', status: 422, rules: ['precision-step'] },
  { of: 'height', value: '111.506', unit: 'cm', source: 'HL7 US Core 7.0.0, body height example', status: 422, rules: ['precision-step'] },
  {
    of: 'height',
    value: '66.89999999999999',
    unit: '[in_i]',
    source: `${R4}, example body-height`,
    status: 422,
    rules: ['precision-step'],
  },
  {
    of: 'height',
    value: '66.9',
    unit: '[in_i]',
    source: `${R4}, example body-height, as it was meant`,
    status: 422,
    rules: ['precision-step'],
  },
  { of: 'weight', value: '74.84', unit: 'kg', source: 'HL7 AU, body weight example', status: 422, rules: ['precision-step'] },
  { of: 'weight', value: '185', unit: '[lb_av]', source: `${R4}, example Observation/example`, status: 201, rules: ['written-decimals'] },
  { of: 'weight', value: '154.25', unit: '[lb_av]', source: PRECISION, status: 201, rules: [] },
  { of: 'weight', value: '154.5', unit: '[lb_av]', source: PRECISION, status: 201, rules: [] },
  { of: 'weight', value: '154.3', unit: '[lb_av]', source: PRECISION, status: 422, rules: ['precision-step'] },
  { of: 'weight', value: '70.3', unit: 'kg', source: PRECISION, status: 201, rules: [] },
  { of: 'weight', value: '70.0', unit: 'kg', source: PRECISION, status: 201, rules: [] },
  {
    of: 'weight',
    value: '70',
    unit: 'kg',
    source: `${R4}, Datatypes, decimal: 70 is less precise than 70.0`,
    status: 201,
    rules: ['written-decimals'],
  },
  {
    of: 'weight',
    value: '70.00',
    unit: 'kg',
    source: `${R4}, Datatypes, decimal: 70.00 claims a finer scale`,
    status: 201,
    rules: ['extra-zeros'],
  },
  { of: 'weight', value: '68.04', unit: 'kg', source: `${PRECISION}: 150 lb converted`, status: 422, rules: ['precision-step'] },
  { of: 'weight', value: '70500', unit: 'g', source: `${R4}, ValueSet ucum-bodyweight; 0.1 kg in grams`, status: 201, rules: [] },
  {
    of: 'weight',
    value: '70550',
    unit: 'g',
    source: `${R4}, ValueSet ucum-bodyweight; 0.1 kg in grams`,
    status: 422,
    rules: ['precision-step'],
  },
  {
    of: 'height',
    value: '65.125',
    unit: '[in_i]',
    source: 'Minnesota WIC Anthropometric Manual (2012): nearest 1/8 in',
    status: 201,
    rules: [],
  },
  {
    of: 'height',
    value: '65.1',
    unit: '[in_i]',
    source: 'Minnesota WIC Anthropometric Manual (2012): nearest 1/8 in',
    status: 422,
    rules: ['precision-step'],
  },
  { of: 'height', value: '171.5', unit: 'cm', source: PRECISION, status: 201, rules: [] },
  { of: 'weight', value: '77.3', unit: 'kg', source: 'HL7 AU, body weight example', status: 201, rules: [] },
  { of: 'weight', value: '91.5', unit: 'kg', source: 'HL7 International Patient Summary, all-sections Bundle', status: 201, rules: [] },
  { of: 'weight', value: '156.3', unit: 'kg', source: 'Swedish national sample of an IHE PCD-01 message', status: 201, rules: [] },
  {
    of: 'height',
    value: '180',
    unit: 'cm',
    source: 'Swedish national sample of an IHE PCD-01 message',
    status: 201,
    rules: ['written-decimals'],
  },
  {
    of: 'height',
    value: '25',
    unit: 'cm',
    source: `${R4}, example body-length: implausibly short`,
    status: 202,
    rules: ['value-unusual', 'written-decimals'],
  },
];

/** 20.09414 kg was pounds once: the refusal says which. */
export const CONVERSION_HINTS = [
  { value: '20.09414', unit: 'kg', of: 'weight', hint: '44.3 [lb_av]' },
  { value: '68.04', unit: 'kg', of: 'weight', hint: '150 [lb_av]' },
] as const;

/** A sender's own BMI, and why a weight has none. Passports; `evaluate.ts` raises them. */
import { VALUE_NUMBER, type Rule } from './rule.ts';

export const bmiAgrees: Rule = {
  id: 'bmi-agrees',
  title: 'The sent BMI equals the derived one',
  family: 'bmi',
  outcome: 'inform',
  movable: false,
  code: 'informational',
  expression: VALUE_NUMBER,
  source: 'local policy: BMI is derived here, once',
  explain:
    'The BMI equals Observation/{derived}, which was derived here from {weight} and {height}; nothing more was stored. Senders need not send a BMI.',
};

export const bmiDiffers: Rule = {
  id: 'bmi-differs',
  title: 'The sent BMI is not what weight and height give',
  family: 'bmi',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'CDC/NCHS, NHANES Body Measures documentation: kilograms divided by metres squared, one decimal',
  explain:
    '{weight} and {height} give a BMI of {expected} kg/m2, but {sent} was sent. Check weight and height at the sender; BMI is derived here.',
};

export const bmiNothingToCompare: Rule = {
  id: 'bmi-nothing-to-compare',
  title: 'A BMI without its weight and height',
  family: 'bmi',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: 'Observation',
  source: 'HL7 FHIR R4 (4.0.1), Observation: derivedFrom names what a value was computed from',
  explain:
    'There is no accepted weight of this person with a height for that time, so the BMI cannot be checked. Send the weight and the height; the BMI follows from them.',
};

export const bmiUnit: Rule = {
  id: 'bmi-unit',
  title: 'A BMI in another unit than kg/m2',
  family: 'bmi',
  outcome: 'refuse',
  movable: false,
  code: 'code-invalid',
  expression: 'Observation.value.ofType(Quantity).code',
  source: 'HL7 FHIR R4 (4.0.1), StructureDefinition bmi: valueQuantity.code is kg/m2',
  explain: 'A BMI is a Quantity in UCUM unit kg/m2, letter for letter. Send weight and height instead; BMI is derived here.',
};

export const bmiNotDerived: Rule = {
  id: 'bmi-not-derived',
  title: 'No BMI follows from this weight',
  family: 'bmi',
  outcome: 'inform',
  movable: false,
  code: 'informational',
  expression: 'Observation',
  source: "CDC, Child and Teen BMI (not under 2 years); CMS RAI User's Manual, item K0200 (age of a height)",
  explain: 'No BMI was derived: {reason}. {remedy}',
  settings: [
    'bmi.minimumAgeMonths',
    'bmi.heightWindowDays.adult',
    'bmi.heightWindowDays.youth',
    'bmi.laterHeightHours',
    'bmi.withAmputation',
    'bmi.withCastOrProsthesis',
    'bmi.withOedema',
    'bmi.withEquipmentOnBed',
  ],
};

export const bmiNotCorrectable: Rule = {
  id: 'bmi-not-correctable',
  title: 'A derived BMI cannot be corrected by hand',
  family: 'bmi',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: 'Observation',
  source: 'local policy: BMI is derived here, once',
  explain: 'This Observation is a BMI that was derived from a weight and a height. Correct the weight or the height; the BMI follows.',
};

export const derivedNotCorrectable: Rule = {
  id: 'derived-not-correctable',
  title: 'A derived figure cannot be corrected by hand',
  family: 'bmi',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: 'Observation',
  source: 'local policy: figures are derived here, once',
  explain: 'This Observation was derived from measurements. Correct the measurement that it was derived from; the figure follows.',
};

export const BMI_RULES: readonly Rule[] = [
  bmiUnit,
  bmiAgrees,
  bmiDiffers,
  bmiNothingToCompare,
  bmiNotDerived,
  bmiNotCorrectable,
  derivedNotCorrectable,
];

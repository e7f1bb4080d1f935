/** Settings for one reading by itself: units, digits, times, and the BMI that follows from it. */
import { CP, type SettingRow } from './row.ts';

const PRECISION = 'Service requirements, precision: 0.1 kg or 1/4 lb; 0.1 cm or 1/8 in';
const INFANT = 'US Maternal and Child Health Bureau, Accurately Weighing and Measuring: Technique, section 3 (0.01 kg or 1/2 oz)';

export const MEASURING_SETTINGS = {
  metricOnly: {
    value: false,
    means: 'refuse pounds and inches',
    source: 'ISMP Targeted Medication Safety Best Practices, practice 3 (metric only)',
  },
  'precision.kg': { value: '0.1', means: 'step of a weight in kg', source: PRECISION },
  'precision.g': { value: '100', means: 'step of a weight in g', source: PRECISION },
  'precision.lb': { value: '0.25', means: 'step of a weight in [lb_av]', source: PRECISION },
  'precision.cm': { value: '0.1', means: 'step of a height in cm', source: PRECISION },
  'precision.in': { value: '0.125', means: 'step of a height in [in_i]', source: PRECISION },
  'precision.infant.kg': {
    value: '0.005',
    means: 'step of an infant weight in kg (under 24 months, or an infant scale)',
    source: `${INFANT}; 5 g displays: common practice`,
  },
  'precision.infant.g': { value: '1', means: 'step of an infant weight in g', source: CP },
  'precision.infant.scaleDivision': {
    value: '0.01',
    means: 'coarsest division in kg that an infant scale may have; readings of a coarser one are held',
    source: INFANT,
  },
  'precision.infant.lb': { value: '0.03125', means: 'step of an infant weight in [lb_av], 1/2 oz', source: INFANT },
  'time.futureToleranceMinutes': { value: 5, means: 'how far ahead of our clock a reading may be', source: CP },
  'time.oldestDays': { value: 30, means: 'a reading older than this is held', source: CP },
  'unassigned.accept': {
    value: false,
    means: 'hold a weight or height that names nobody until it is claimed, instead of refusing it',
    source: CP,
  },
  'unassigned.claimMinutes': {
    value: 30,
    means: 'how long after measuring a reading that names nobody can be claimed for its person',
    source: CP,
  },
  'bmi.minimumAgeMonths': {
    value: 24,
    means: 'no BMI under this age',
    source: 'CDC, Child and Teen BMI: BMI is not calculated under 2 years',
  },
  'bmi.heightWindowDays.adult': {
    value: 365,
    means: 'how old a height may be for an adult (20 years and over, or age unknown)',
    source: "CMS RAI User's Manual, item K0200: new height when the last is over a year old",
  },
  'bmi.heightWindowDays.youth': { value: 90, means: 'how old a height may be from 2 to 19 years', source: CP },
  'bmi.laterHeightHours': {
    value: 24,
    means: 'a height taken at most this long after the weight serves when there is none before it',
    source: CP,
  },
  'bmi.hold.firstWeight.low': {
    value: '14',
    means: 'adult without an earlier weight: held below',
    source: 'NHANES 2017-2018, computed: catches 63 % of kilograms typed as pounds, held no adult',
  },
  'bmi.hold.firstWeight.high': {
    value: '60',
    means: 'adult without an earlier weight: held above',
    source: 'NHANES 2017-2018, computed: catches 59 % of pounds typed as kilograms, held 0.39 % of adults',
  },
  'bmi.hold.ageUnknown.low': { value: '12', means: 'age unknown, no earlier weight: held below', source: CP },
  'bmi.hold.ageUnknown.high': { value: '60', means: 'age unknown, no earlier weight: held above', source: CP },
  'bmi.hold.withPrior.low': { value: '12', means: 'adult whose earlier weight agrees: held below', source: CP },
  'bmi.hold.withPrior.high': { value: '80', means: 'adult whose earlier weight agrees: held above', source: 'Littman et al. 2012' },
  'bmi.priorAgreesPercent': {
    value: '10',
    means: 'an earlier weight agrees when it differs by at most this much',
    source: 'NHANES 2017-2018, computed',
  },
  'qualifiers.shape': {
    value: 'component',
    means: 'how method, device and clothing leave: as components, or as extensions for an EHR that validates R4 bodyweight to the letter',
    source: 'HL7 FHIR R4, StructureDefinition vitalsigns: component.value[x] is bound to unit codes',
    choices: ['component', 'extension'],
  },
} as const satisfies Record<string, SettingRow>;

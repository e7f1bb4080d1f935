/**
 * The height of somebody who cannot stand, estimated from the length of one part of the body.
 *
 * Always an estimate: coded as one, never in place of a measured height, and a BMI from it says
 * so. One person's true height may be some 7 cm off (Auyeung et al., limits of agreement of such
 * models). The ulna equations ran high in Asian and Black adults (J Hum Nutr Diet 2008;21(4)).
 */
import { add, compare, decimal, multiply, roundHalfUp, type Decimal } from '../decimal.ts';
import type { Age } from '../fhir-time.ts';
import { inBaseUnit, type Quantity } from '../quantity.ts';
import type { PersonFacts } from '../reading.ts';
import { SYSTEM } from '../terminology.ts';
import { DERIVED_SYSTEM, type DerivedCode, type HeightEstimate } from './derived-code.ts';

export type { HeightEstimate };

export const ESTIMATED_HEIGHT_CODE: DerivedCode = {
  system: SYSTEM.loinc,
  code: '8301-4',
  display: 'Body height Estimated',
  unit: 'cm',
  source: 'HL7 FHIR 6.0.0-ballot, ValueSet observation-vitalsign-bodyheight',
};

export type NoEstimateReason = 'sex-unknown' | 'age-unknown' | 'age-outside' | 'length-implausible';

/** cm of height = constant + perCentimetre * length + perYear * completed years of age. */
interface Equation {
  readonly sex: 'male' | 'female';
  /** Completed years, both ends included. */
  readonly fromYears: number;
  readonly throughYears: number;
  readonly constant: string;
  readonly perCentimetre: string;
  readonly perYear?: string;
}

interface EstimateRow {
  readonly title: string;
  readonly input: DerivedCode;
  /** Shortest and longest length in cm that is taken for one, both included. */
  readonly lengths: readonly [from: string, to: string];
  readonly lengthsSource: string;
  readonly equations: readonly Equation[];
  readonly source: string;
  readonly agesSource: string;
}

const ADULT_YEARS = 18;
const NO_END = Number.POSITIVE_INFINITY;
const CP = 'common practice, no source';

const inputCode = (code: HeightEstimate, display: string): DerivedCode => ({
  system: DERIVED_SYSTEM,
  code,
  display,
  unit: 'cm',
  source: 'our own: no LOINC term found',
});

export const HEIGHT_ESTIMATES: Readonly<Record<HeightEstimate, EstimateRow>> = {
  'knee-height': {
    title: 'Height from knee height',
    input: inputCode('knee-height', 'Knee height'),
    lengths: ['35', '65'],
    lengthsSource: CP,
    equations: [
      { sex: 'male', fromYears: 60, throughYears: 90, constant: '64.19', perCentimetre: '2.02', perYear: '-0.04' },
      { sex: 'female', fromYears: 60, throughYears: 90, constant: '84.88', perCentimetre: '1.83', perYear: '-0.24' },
    ],
    source: 'Chumlea, Roche and Steinbaugh, J Am Geriatr Soc 1985;33:116-120',
    agesSource: 'same paper: persons 60 to 90 years of age',
  },
  'ulna-length': {
    title: 'Height from ulna length',
    input: inputCode('ulna-length', 'Ulna length, point of the elbow to midpoint of the prominent bone of the wrist'),
    lengths: ['18.5', '32.0'],
    lengthsSource: 'ends of the table of heights from ulna length, BAPEN',
    equations: [
      { sex: 'male', fromYears: ADULT_YEARS, throughYears: 64, constant: '79.2', perCentimetre: '3.60' },
      { sex: 'male', fromYears: 65, throughYears: NO_END, constant: '86.3', perCentimetre: '3.15' },
      { sex: 'female', fromYears: ADULT_YEARS, throughYears: 64, constant: '95.6', perCentimetre: '2.77' },
      { sex: 'female', fromYears: 65, throughYears: NO_END, constant: '80.4', perCentimetre: '3.25' },
    ],
    source: 'Elia 2003 for BAPEN; equations from memory, compared with every cell of the printed table',
    agesSource: 'same table: under 65, 65 and over; adults: common practice',
  },
  demispan: {
    title: 'Height from demispan',
    input: inputCode('demispan', 'Demispan, sternal notch to the web between middle and ring finger, arm outstretched'),
    lengths: ['55', '110'],
    lengthsSource: CP,
    equations: [
      { sex: 'male', fromYears: ADULT_YEARS, throughYears: NO_END, constant: '57.8', perCentimetre: '1.40' },
      { sex: 'female', fromYears: ADULT_YEARS, throughYears: NO_END, constant: '60.1', perCentimetre: '1.35' },
    ],
    source: 'Bassey, Ann Hum Biol 1986;13:499-502, equations from memory',
    agesSource: CP,
  },
};

/**
 * Centimetres of height with `decimals` decimals, rounded half up once, or why there is no estimate.
 *
 * An age that is known only to the year or month is enough as long as one equation holds for all
 * of its span; an equation that subtracts for each year needs the completed years.
 */
export function estimatedHeight(
  estimate: HeightEstimate,
  length: Pick<Quantity, 'value' | 'unit'>,
  { sex, age }: { readonly sex?: PersonFacts['sex'] | undefined; readonly age?: Age | undefined },
  decimals = 1,
): Decimal | NoEstimateReason {
  const { lengths, equations } = HEIGHT_ESTIMATES[estimate];
  const centimetres = inBaseUnit(length);
  const [shortest, longest] = lengths.map(decimal) as [Decimal, Decimal];
  if (compare(centimetres, shortest) < 0 || compare(centimetres, longest) > 0) return 'length-implausible';
  if (sex !== 'male' && sex !== 'female') return 'sex-unknown';
  if (age === undefined) return 'age-unknown';
  const [youngest, oldest] = [age.youngestMonths, age.oldestMonths].map((months) => Math.floor(months / 12)) as [number, number];
  const ofSex = equations.filter((equation) => equation.sex === sex);
  if (!ofSex.some(({ fromYears, throughYears }) => oldest >= fromYears && youngest <= throughYears)) return 'age-outside';
  const equation = ofSex.find(({ fromYears, throughYears }) => youngest >= fromYears && oldest <= throughYears);
  if (equation === undefined || (equation.perYear !== undefined && youngest !== oldest)) return 'age-unknown';
  return roundHalfUp(heightBy(equation, centimetres, oldest), decimals);
}

function heightBy({ constant, perCentimetre, perYear = '0' }: Equation, centimetres: Decimal, years: number): Decimal {
  const ofLength = multiply(decimal(perCentimetre), centimetres);
  const ofAge = multiply(decimal(perYear), decimal(String(years)));
  return add(add(decimal(constant), ofLength), ofAge);
}

/**
 * Codes and units of what is derived from a growth chart.
 *
 * Each has a code of our own, exact about what it means, and a LOINC code beside it where one was
 * found in a public source. LOINC numbers that could not be seen are not guessed: no z-score has one
 * here.
 */
import type { Indicator } from './tables.ts';

export interface GrowthCode {
  /** In a CodeSystem of ours. */
  readonly code: string;
  readonly display: string;
  readonly loinc?: { readonly code: string; readonly display: string; readonly source: string };
  /** `code` is UCUM. */
  readonly unit: { readonly unit: string; readonly code: string };
}

const PERCENT = { unit: '%', code: '%' } as const;
/** A pure number has UCUM's unity; the words stand beside it. */
const Z_SCORE = { unit: 'z-score', code: '1' } as const;

export type ScoreKind = 'percentile' | 'z' | 'modified-z';

export const GROWTH_CODES: Readonly<Record<Indicator, Readonly<Record<ScoreKind, GrowthCode>>>> = {
  weight: {
    percentile: {
      code: 'weight-for-age-percentile',
      display: 'Weight-for-age percentile by sex',
      loinc: {
        code: '8336-0',
        display: 'Body weight [Percentile] Per age',
        source: 'Medical Informatics Initiative Germany, ICU module, profile of weight percentile; gematik ISiK vital signs',
      },
      unit: PERCENT,
    },
    z: { code: 'weight-for-age-z-score', display: 'Weight-for-age z-score by sex', unit: Z_SCORE },
    'modified-z': { code: 'weight-for-age-modified-z-score', display: 'Weight-for-age modified z-score by sex (CDC 2016)', unit: Z_SCORE },
  },
  height: {
    percentile: {
      code: 'height-for-age-percentile',
      display: 'Length or height-for-age percentile by sex',
      // LOINC names neither age nor sex here; our own code does
      loinc: {
        code: '8303-0',
        display: 'Body height [Percentile]',
        source: 'Medical Informatics Initiative Germany, ICU module, profile of height percentile; gematik ISiK vital signs',
      },
      unit: PERCENT,
    },
    z: { code: 'height-for-age-z-score', display: 'Length or height-for-age z-score by sex', unit: Z_SCORE },
    'modified-z': {
      code: 'height-for-age-modified-z-score',
      display: 'Length or height-for-age modified z-score by sex (CDC 2016)',
      unit: Z_SCORE,
    },
  },
  bmi: {
    percentile: {
      code: 'bmi-for-age-percentile',
      display: 'BMI-for-age percentile by sex',
      loinc: {
        code: '59576-9',
        display: 'Body mass index (BMI) [Percentile] Per age and sex',
        source: 'LOINC term page; HL7 US Core, profile pediatric-bmi-for-age',
      },
      unit: PERCENT,
    },
    z: { code: 'bmi-for-age-z-score', display: 'BMI-for-age z-score by sex', unit: Z_SCORE },
    'modified-z': { code: 'bmi-for-age-modified-z-score', display: 'BMI-for-age modified z-score by sex (CDC 2016)', unit: Z_SCORE },
  },
  'weight-for-height': {
    percentile: {
      code: 'weight-for-height-percentile',
      display: 'Weight-for-length or weight-for-height percentile by sex',
      loinc: {
        code: '77606-2',
        display: 'Weight-for-length Per age and sex',
        source: 'HL7 US Core, profile pediatric-weight-for-height',
      },
      unit: PERCENT,
    },
    z: { code: 'weight-for-height-z-score', display: 'Weight-for-length or weight-for-height z-score by sex', unit: Z_SCORE },
    'modified-z': {
      code: 'weight-for-height-modified-z-score',
      display: 'Weight-for-length or weight-for-height modified z-score by sex (CDC 2016)',
      unit: Z_SCORE,
    },
  },
};

/** CDC's figure for BMI above the 95th percentile; no LOINC code was found. */
export const PERCENT_OF_P95_CODE: GrowthCode = {
  code: 'bmi-percent-of-95th-percentile',
  display: 'BMI as a percentage of the 95th percentile for age and sex',
  unit: PERCENT,
};

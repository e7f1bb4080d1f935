/**
 * Age bands and what a weight (kg) or a height (cm) can be in each.
 *
 * Outer limits come from records and are refused outside; inner ones are held outside. For
 * children the inner limits are the widest of the band: the lowest and highest value that the
 * published flags allow at any age in it, for either sex, computed from the published tables
 * (WHO 2006: weight z -6 to +5, length z -6 to +6, beyond 3 SD by WHO's fixed-step rule;
 * CDC 2000 with 2016 modified z: weight -5 to +8, stature -5 to +4,
 * BMI -4 to +8). A BMI outside its outer limits is never published; the inner
 * BMI limits of adults depend on earlier weights and stand in the policy's settings.
 */
import type { Age } from './fhir-time.ts';

const RECORDS = 'record values: smallest surviving newborn 0.212 kg, tallest person 272 cm, heaviest about 635 kg';
const WHO = 'WHO Child Growth Standards 2006, flags for implausible values, computed over the band';
const CDC = 'CDC Growth Charts 2000, modified z-scores (2016), computed over the band';

/** Outer band (refused outside) and, where one is known, inner band (held outside). */
export interface Limits {
  readonly refuse: readonly [low: string, high: string];
  readonly hold?: readonly [low: string, high: string];
}

interface AgeBandRow {
  readonly label: string;
  readonly weight: Limits;
  readonly height: Limits;
  readonly bmi: Limits;
  readonly source: string;
}

export const AGE_BANDS = {
  newborn: {
    label: '0 to 27 days',
    weight: { refuse: ['0.2', '12'], hold: ['0.9', '7.9'] },
    height: { refuse: ['20', '70'], hold: ['38.0', '65.9'] },
    bmi: { refuse: ['5', '200'] },
    source: `${RECORDS}; ${WHO}`,
  },
  'young-infant': {
    label: '28 days to 5 months',
    weight: { refuse: ['0.3', '45'], hold: ['1.4', '13.1'] },
    height: { refuse: ['25', '130'], hold: ['41.7', '80.4'] },
    bmi: { refuse: ['5', '200'] },
    source: `common practice; ${WHO}`,
  },
  'older-infant': {
    label: '6 to 11 months',
    weight: { refuse: ['0.3', '45'], hold: ['3.1', '16.3'] },
    height: { refuse: ['25', '130'], hold: ['52.1', '90.0'] },
    bmi: { refuse: ['5', '200'] },
    source: `common practice; ${WHO}`,
  },
  toddler: {
    label: '12 to 23 months',
    weight: { refuse: ['0.3', '45'], hold: ['3.9', '21.4'] },
    height: { refuse: ['25', '130'], hold: ['58.6', '106.1'] },
    bmi: { refuse: ['5', '200'] },
    source: `common practice; ${WHO}`,
  },
  'small-child': {
    label: '2 to 4 years',
    weight: { refuse: ['1', '120'], hold: ['6.6', '48.3'] },
    height: { refuse: ['30', '170'], hold: ['67.6', '128.0'] },
    bmi: { refuse: ['5', '200'], hold: ['11.4', '32.2'] },
    source: `record child 163 cm at age 5; ${CDC}`,
  },
  child: {
    label: '5 to 9 years',
    weight: { refuse: ['2', '650'], hold: ['8.4', '113.7'] },
    height: { refuse: ['50', '275'], hold: ['85.1', '166.1'] },
    bmi: { refuse: ['5', '200'], hold: ['10.3', '51.7'] },
    source: `${RECORDS}; ${CDC}`,
  },
  'young-teenager': {
    label: '10 to 14 years',
    weight: { refuse: ['2', '650'], hold: ['9.3', '183.7'] },
    height: { refuse: ['50', '275'], hold: ['105.7', '199.8'] },
    bmi: { refuse: ['5', '200'], hold: ['10.3', '67.2'] },
    source: `${RECORDS}; ${CDC}`,
  },
  'older-teenager': {
    label: '15 to 19 years',
    weight: { refuse: ['2', '650'], hold: ['17.3', '202.4'] },
    height: { refuse: ['50', '275'], hold: ['128.7', '205.2'] },
    bmi: { refuse: ['5', '200'], hold: ['11.6', '84.0'] },
    source: `${RECORDS}; ${CDC}`,
  },
  adult: {
    label: '20 years and over',
    weight: { refuse: ['2', '650'], hold: ['34.0', '272.2'] },
    height: { refuse: ['50', '275'], hold: ['124.5', '213.4'] },
    bmi: { refuse: ['5', '200'] },
    source: `${RECORDS}; Littman et al. 2012 (75 to 600 lb, 49 in); Maguen et al. 2013, Goodrich et al. 2016 (84 in)`,
  },
  'age-unknown': {
    label: 'age not known',
    weight: { refuse: ['0.2', '650'], hold: ['2', '650'] },
    height: { refuse: ['20', '275'], hold: ['50', '275'] },
    bmi: { refuse: ['5', '200'] },
    source: `${RECORDS}: the widest of all bands refuses, the adult outer limits hold`,
  },
} as const satisfies Record<string, AgeBandRow>;

export type AgeBand = keyof typeof AGE_BANDS;

/**
 * The band of an age. A birth date known only to the year or month gives a span of ages; when
 * its ends fall into different bands, the age counts as not known.
 */
export function ageBand(age: Age | undefined): AgeBand {
  if (age === undefined) return 'age-unknown';
  const youngest = bandOf(age.youngestDays, age.youngestMonths);
  const oldest = bandOf(age.oldestDays, age.oldestMonths);
  return youngest === oldest ? youngest : 'age-unknown';
}

/** 20 years: where the CDC charts end. */
export const ADULT_FROM_MONTHS = 240;

const BANDS_FROM_MONTHS: readonly (readonly [fromMonths: number, band: AgeBand])[] = [
  [ADULT_FROM_MONTHS, 'adult'],
  [180, 'older-teenager'],
  [120, 'young-teenager'],
  [60, 'child'],
  [24, 'small-child'],
  [12, 'toddler'],
  [6, 'older-infant'],
];

function bandOf(days: number, months: number): AgeBand {
  if (days < 28) return 'newborn';
  return BANDS_FROM_MONTHS.find(([from]) => months >= from)?.[1] ?? 'young-infant';
}

/** Settings for what follows from a reading besides its BMI. */
import type { SettingRow } from './row.ts';

export const DERIVE_SETTINGS = {
  'derive.weightChange': {
    value: 'significant',
    means: 'which weights get an Observation of their change: none, those that reach a published threshold, or every one',
    source: 'local policy: thresholds are those of the rules change-…',
    choices: ['off', 'significant', 'every'],
  },
  'derive.growth': {
    value: true,
    means: 'derive percentiles and z-scores under 20 years, where growth tables were supplied',
    source: 'HL7 US Core, profile pediatric-bmi-for-age; CDC Growth Charts 2000 and WHO Child Growth Standards 2006',
  },
} as const satisfies Record<string, SettingRow>;

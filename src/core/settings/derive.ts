/** Settings for what follows from a reading besides its BMI. */
import type { SettingRow } from './row.ts';

export const DERIVE_SETTINGS = {
  'derive.weightChange': {
    value: 'significant',
    means: 'which weights get an Observation of their change: none, those that reach a published threshold, or every one',
    source: 'local policy: thresholds are those of the rules change-…',
    choices: ['off', 'significant', 'every'],
  },
} as const satisfies Record<string, SettingRow>;

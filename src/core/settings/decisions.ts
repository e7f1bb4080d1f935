/** Settings for what people decide of held readings. */
import { CP, type SettingRow } from './row.ts';

export const DECISION_SETTINGS = {
  'decision.sendAfterSeconds': {
    value: 10,
    most: 300,
    means: 'how long what follows from a decision waits before it goes to the EHR, so that the decision can be taken back',
    source: CP,
  },
} as const satisfies Record<string, SettingRow>;

/** What a setting of the policy is: its default, its meaning, the published source of the default. */
export type Setting = string | number | boolean;

export interface SettingRow<Value extends Setting = Setting> {
  /** Decimals are texts of exact decimals. */
  readonly value: Value;
  readonly means: string;
  readonly source: string;
  /** For decimals: the smallest that makes sense; zero when absent. */
  readonly least?: string;
  /** For whole numbers: the largest that makes sense. */
  readonly most?: number;
  /** For texts that are not decimals: the values that may be chosen. */
  readonly choices?: readonly string[];
  /** For texts that are neither: what they have to be. */
  readonly kind?: 'time-zone';
}

export const CP = 'common practice, no source';

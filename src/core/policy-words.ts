/** The policy in words: every threshold now in force with its meaning and source. */
import { AGE_BANDS, type AgeBand } from './age-bands.ts';
import { DEFAULT_POLICY, DEFAULT_SETTINGS, type Policy, type SettingName } from './policy.ts';
import type { Quantified } from './terminology.ts';

export interface SettingInWords {
  readonly name: string;
  readonly value: string;
  readonly means: string;
  readonly source: string;
}

const BANDS = Object.keys(AGE_BANDS) as AgeBand[];

/** The unit of the limits, and what happens outside them: a BMI is ours, so there is nothing to refuse. */
const LIMITED: Readonly<Record<Quantified, { readonly unit: string; readonly refuse: string; readonly hold: string }>> = {
  weight: { unit: 'kg', refuse: 'refuse', hold: 'hold' },
  height: { unit: 'cm', refuse: 'refuse', hold: 'hold' },
  bmi: { unit: 'kg/m2', refuse: 'publish no BMI', hold: 'hold' },
};

/** Every setting and every limit of every age band. */
export function policyInWords(policy: Policy): readonly SettingInWords[] {
  return [...Object.keys(DEFAULT_SETTINGS), 'limits.weight', 'limits.height', 'limits.bmi', 'limits.change'].flatMap((name) =>
    settingsInWords(name, policy),
  );
}

export interface ExplainedSetting extends SettingInWords {
  /** Absent for a limit that the built-in policy does not have. */
  readonly default?: string;
  readonly differs: boolean;
}

/** Every setting and limit beside what the built-in policy has there. */
export function explainPolicy(policy: Policy): readonly ExplainedSetting[] {
  const defaults = new Map(policyInWords(DEFAULT_POLICY).map(({ name, value }) => [name, value]));
  return policyInWords(policy).map((setting) => {
    const fallback = defaults.get(setting.name);
    return { ...setting, ...(fallback !== undefined && { default: fallback }), differs: setting.value !== fallback };
  });
}

/**
 * A setting by its name; or, by `limits.weight`, `limits.height`, `limits.bmi` or `limits.change`,
 * the limits of every age band. Throws when a rule names what is no setting: a bug in the rule.
 */
export function settingsInWords(name: string, policy: Policy): readonly SettingInWords[] {
  if (Object.hasOwn(DEFAULT_SETTINGS, name)) {
    const { means, source } = DEFAULT_SETTINGS[name as SettingName];
    return [{ name, value: String(policy.values[name as SettingName]), means, source }];
  }
  if (name === 'limits.change') return BANDS.flatMap((band) => changeLimitsOf(band, policy));
  const measured = (Object.keys(LIMITED) as Quantified[]).find((one) => name === `limits.${one}`);
  if (!measured) throw new Error(`a rule names ${name}, which is no setting of the policy`);
  return BANDS.flatMap((band) => limitsOf(band, measured, policy));
}

function limitsOf(band: AgeBand, measured: Quantified, policy: Policy): SettingInWords[] {
  const { label, source } = AGE_BANDS[band];
  return (['refuse', 'hold'] as const).flatMap((kind) => {
    const span = policy.limits[band][measured][kind];
    if (!span) return [];
    const value = `${span[0]} to ${span[1]} ${LIMITED[measured].unit}`;
    return [{ name: `limits.${band}.${measured}.${kind}`, value, means: `${label}: ${LIMITED[measured][kind]} outside this span`, source }];
  });
}

function changeLimitsOf(band: AgeBand, { changeLimits }: Policy): SettingInWords[] {
  const { label } = AGE_BANDS[band];
  const { source } = changeLimits[band];
  return ([30, 365] as const).flatMap((days) =>
    (['gain', 'loss'] as const).map((direction) => ({
      name: `limits.${band}.change.within${days}Days.${direction}Percent`,
      value: `${changeLimits[band][`within${days}Days`][`${direction}Percent`]} %`,
      means: `${label}: a ${direction} of weight of more than this within ${days} days is held`,
      source,
    })),
  );
}

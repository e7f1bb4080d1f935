/** Settings for what follows from a reading besides its BMI. */
import type { SettingRow } from './row.ts';

const DOSING = 'local policy: dosing inputs are off until somebody owns them';

export const DERIVE_SETTINGS = {
  'derive.weightChange': {
    value: 'significant',
    means:
      'which weights get an Observation of their change: none, those that reach a published threshold whose rule does more than remark, or every one',
    source: 'local policy: thresholds are those of the rules change-…',
    choices: ['off', 'significant', 'every'],
  },
  'derive.growth': {
    value: true,
    means: 'derive percentiles and z-scores under 20 years, where growth tables were supplied',
    source: 'HL7 US Core, profile pediatric-bmi-for-age; CDC Growth Charts 2000 and WHO Child Growth Standards 2006',
  },
  'derive.bodySurface': {
    value: 'off',
    means: 'body surface area of each weight that has a BMI, by which formula; a dosing input: whoever turns it on owns it',
    source: `${DOSING}; Mosteller, N Engl J Med 1987;317:1098; Du Bois and Du Bois, Arch Intern Med 1916;17:863-871`,
    choices: ['off', 'mosteller', 'dubois'],
  },
  'derive.idealWeight': {
    value: false,
    means: 'ideal body weight of adults from each measured height; a dosing input: whoever turns it on owns it',
    source: `${DOSING}; Devine, Drug Intell Clin Pharm 1974;8:650-655`,
  },
  'derive.adjustedWeight': {
    value: false,
    means: 'adjusted body weight of adults who weigh more than ideal; a dosing input: whoever turns it on owns it',
    source: `${DOSING}; Traynor et al., Antimicrob Agents Chemother 1995;39:545-548`,
  },
  'derive.estimatedHeight': {
    value: true,
    means: 'estimate the height from a knee height, ulna length or demispan that is sent in the place of a height',
    source: 'Chumlea et al., J Am Geriatr Soc 1985;33:116-120; BAPEN (ulna length); Bassey, Ann Hum Biol 1986;13:499-502',
  },
  'bmi.estimatedHeight': {
    value: false,
    means: 'let an estimated height serve for a BMI where no measured one is recent enough; such a BMI is marked',
    source: 'local policy: an estimate may be some 7 cm off, which is two units of BMI',
  },
} as const satisfies Record<string, SettingRow>;

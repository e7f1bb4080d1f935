/** Settings for what a number stands on: cast, prosthesis, amputation, fluid, equipment on the bed. */
import { CP, type SettingRow } from './row.ts';

export const CONDITION_SETTINGS = {
  'conditions.changeLimitFactor': {
    value: '1.5',
    means:
      'the limits of change in percent are wider by this factor when one of two weights has oedema or dialysis, or when cast, prosthesis, amputation or equipment on the bed differ',
    source: `${CP}: dialysis takes 2 to 4 kg in hours`,
    least: '1',
  },
  'bmi.withAmputation': {
    value: false,
    means: 'publish an ordinary BMI once an amputation is known, from that reading on',
    source: 'CDC/NCHS, NHANES Body Measures documentation: the weight of people with an amputation is set to missing',
  },
  'bmi.withCastOrProsthesis': {
    value: true,
    means: 'publish a BMI of a weight with a cast or a prosthesis',
    source: `${CP}: NHANES keeps such weights with a comment code`,
  },
  'bmi.withOedema': {
    value: true,
    means: 'publish a BMI of a weight with oedema or before dialysis, although the fluid is weighed along',
    source: CP,
  },
  'bmi.withEquipmentOnBed': {
    value: false,
    means: 'publish a BMI of a weight with equipment on the bed, which is not part of the person',
    source: CP,
  },
} as const satisfies Record<string, SettingRow>;

/**
 * RULES: the only list, in reporting order. From it come the CodeSystem, the rules pages, the
 * README table and the command line's explanations.
 */
import { BMI_RULES } from './bmi.ts';
import { CALIBRATION_RULES } from './calibration.ts';
import { CHANGE_RULES } from './change.ts';
import { CONDITION_RULES } from './condition.ts';
import { DEVICE_RULES } from './device.ts';
import { ESTIMATED_HEIGHT_RULES } from './estimated-height.ts';
import { GROWTH_RULES } from './growth.ts';
import { IDENTITY_RULES } from './identity.ts';
import { MIX_UP_RULES } from './mixup.ts';
import { PERSON_RULES } from './person.ts';
import { PLAUSIBILITY_RULES } from './plausibility.ts';
import { PRECISION_RULES } from './precision.ts';
import { PROFILE_RULES } from './profile.ts';
import { REPEAT_RULES } from './repeat.ts';
import type { Rule } from './rule.ts';
import { SIGNIFICANT_CHANGE_RULES } from './significant.ts';
import { STRUCTURE_RULES } from './structure.ts';
import { TARE_RULES } from './tare.ts';
import { TIME_RULES } from './time.ts';
import { UNIT_RULES } from './unit.ts';

export const RULES: readonly Rule[] = [
  ...STRUCTURE_RULES,
  ...PROFILE_RULES,
  ...CONDITION_RULES,
  ...PERSON_RULES,
  ...TIME_RULES,
  ...UNIT_RULES,
  ...PRECISION_RULES,
  ...PLAUSIBILITY_RULES,
  ...GROWTH_RULES,
  ...ESTIMATED_HEIGHT_RULES,
  ...MIX_UP_RULES,
  ...CHANGE_RULES,
  ...SIGNIFICANT_CHANGE_RULES,
  ...DEVICE_RULES,
  ...CALIBRATION_RULES,
  ...TARE_RULES,
  ...BMI_RULES,
  ...REPEAT_RULES,
  ...IDENTITY_RULES,
];

/** Ids of the rules whose outcome a policy may choose. */
export const MOVABLE_RULES: ReadonlySet<string> = new Set(RULES.filter(({ movable }) => movable).map(({ id }) => id));

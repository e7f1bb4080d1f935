/** Every fault, in the order in which they are tried. */
import type { Fault } from '../fault.ts';
import { CALM } from './calm.ts';
import { EHR_ANSWERS } from './ehr-answers.ts';
import { KILLS } from './kills.ts';

export const FAULTS: readonly Fault[] = [CALM, ...KILLS, ...EHR_ANSWERS];

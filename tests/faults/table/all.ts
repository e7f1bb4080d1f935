/** Every fault, in the order in which they are tried. */
import type { Fault } from '../fault.ts';
import { BACKUPS } from './backups.ts';
import { CALM } from './calm.ts';
import { CLOCKS } from './clocks.ts';
import { EHR_ANSWERS } from './ehr-answers.ts';
import { KILLS } from './kills.ts';
import { MIXED } from './mixed.ts';
import { PURGES } from './purges.ts';
import { REPLICAS } from './replicas.ts';
import { SENDERS } from './senders.ts';
import { STORAGE_ERRORS } from './storage-errors.ts';
import { STORE_FAULTS } from './store-faults.ts';
import { TOKENS } from './tokens.ts';

export const FAULTS: readonly Fault[] = [
  CALM,
  ...KILLS,
  ...STORE_FAULTS,
  ...STORAGE_ERRORS,
  ...BACKUPS,
  ...PURGES,
  ...EHR_ANSWERS,
  ...CLOCKS,
  ...SENDERS,
  ...TOKENS,
  ...REPLICAS,
  MIXED,
];

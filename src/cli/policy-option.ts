/** The `--policy` option that several commands have. */
import { ConfigError } from '../config.ts';
import { MOVABLE_RULES } from '../core/rules/index.ts';
import type { Policy } from '../core/policy.ts';
import { loadPolicy } from '../policy-file.ts';
import { CommandFailed } from './terminal.ts';

/** Throws CommandFailed with a sentence for each setting that is wrong. */
export function policyFrom(file: string | undefined): Policy {
  try {
    return loadPolicy(file, MOVABLE_RULES);
  } catch (error) {
    if (!(error instanceof ConfigError)) throw error;
    throw new CommandFailed(error.problems.map((problem) => problem.replace(/^STEELYARD_POLICY/, '--policy')).join('\n'));
  }
}

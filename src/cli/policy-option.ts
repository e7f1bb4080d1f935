/** The `--policy` option that several commands have. */
import { MOVABLE_RULES } from '../core/rules/index.ts';
import type { Policy } from '../core/policy.ts';
import { loadPolicy, readPolicyFile, sentenceOf } from '../policy-file.ts';
import { CommandFailed, printable } from './terminal.ts';

/** Throws CommandFailed with a sentence for each setting that is wrong. */
export function policyFrom(file: string | undefined): Policy {
  if (file === undefined) return loadPolicy(undefined, MOVABLE_RULES);
  return policyIn(file, '--policy');
}

/**
 * The policy of a file that must be there.
 *
 * @param subject how a sentence about the file begins: the option or the argument that named it
 * @throws CommandFailed with a sentence for each setting that is wrong
 */
export function policyIn(file: string, subject: string): Policy {
  const read = readPolicyFile(file, MOVABLE_RULES);
  if (read.ok) return read.policy;
  throw new CommandFailed(read.problems.map((problem) => printable(sentenceOf(problem, subject))).join('\n'));
}

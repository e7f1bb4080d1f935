/** `steelyard completion`: a script by which a shell completes the commands, options and rule ids of this release. */
import type { Command } from 'commander';
import { RULES } from '../core/rules/index.ts';
import { bashCompletion } from './completion/bash.ts';
import { fishCompletion } from './completion/fish.ts';
import { completionOf, type CompletedCommand, type Value } from './completion/words.ts';
import { zshCompletion } from './completion/zsh.ts';

export const SHELLS = ['bash', 'zsh', 'fish'] as const;
export type Shell = (typeof SHELLS)[number];

const SCRIPTS: Readonly<Record<Shell, (program: CompletedCommand) => string>> = {
  bash: bashCompletion,
  zsh: zshCompletion,
  fish: fishCompletion,
};

export function completionScript(shell: Shell, program: Command): string {
  return SCRIPTS[shell](completionOf(program, wordsOf));
}

function wordsOf(argument: string): Value | undefined {
  return argument === 'rule' ? RULES.map(({ id }) => id) : undefined;
}

/** What can be typed where, read off the program itself, so that completion cannot drift from it. */
import type { Argument, Command, Option } from 'commander';

/** What may stand as the value of an option or an argument: one of some words, a file, or anything. */
export type Value = readonly string[] | 'file' | 'any';

export interface CompletedOption {
  /** `--format`, and `-V` where there is a short one. */
  readonly flags: readonly string[];
  readonly description: string;
  /** Absent when it takes no value. */
  readonly value?: Value;
}

export interface CompletedCommand {
  /** From the program's name: `steelyard`, `steelyard outbox retry`. */
  readonly path: readonly string[];
  readonly description: string;
  readonly subcommands: readonly CompletedCommand[];
  readonly options: readonly CompletedOption[];
  /** Of each argument in turn; the last one repeats when it is variadic. */
  readonly values: readonly Value[];
  readonly repeats: boolean;
}

/** @param wordsOf what may be typed for an argument that no list of choices is known for, as for the ids of rules */
export function completionOf(
  command: Command,
  wordsOf: (argument: string) => Value | undefined,
  before: readonly string[] = [],
): CompletedCommand {
  const path = [...before, command.name()];
  const help = command.createHelp();
  const values = command.registeredArguments.map((argument) => valueOf(argument.name(), argument, wordsOf));
  return {
    path,
    description: command.description(),
    subcommands: command.commands.map((one) => completionOf(one, wordsOf, path)),
    options: help.visibleOptions(command).map((option) => ({
      flags: [option.short, option.long].filter((flag) => flag !== undefined),
      description: option.description,
      ...((option.required || option.optional) && { value: valueOf(placeholderOf(option), option, wordsOf) }),
    })),
    values,
    repeats: command.registeredArguments.at(-1)?.variadic === true,
  };
}

/** Every command, the program itself first. */
export function allCommands(command: CompletedCommand): readonly CompletedCommand[] {
  return [command, ...command.subcommands.flatMap(allCommands)];
}

/** `file` of `--policy <file>`. */
function placeholderOf({ flags }: Option): string {
  return (/[<[]([^<>[\]]+)[>\]]/.exec(flags)?.[1] ?? '').replace('...', '');
}

function valueOf(name: string, { argChoices }: Option | Argument, wordsOf: (argument: string) => Value | undefined): Value {
  if (argChoices) return argChoices;
  return wordsOf(name) ?? (name === 'file' || name === 'folder' ? 'file' : 'any');
}

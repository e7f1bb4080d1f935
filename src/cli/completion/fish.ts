/** Completion for fish (the fish manual, "Writing your own completions"). */
import { allCommands, type CompletedCommand, type CompletedOption, type Value } from './words.ts';

/** A line for each word that may be typed, on the condition that the words before it lead there. */
export function fishCompletion(program: CompletedCommand): string {
  const [name = ''] = program.path;
  const lines = allCommands(program).flatMap((command) => [
    ...command.subcommands.map((one) =>
      line(name, isAt(command, true), `-a ${quoted(one.path.at(-1) ?? '')} -d ${quoted(one.description)}`),
    ),
    ...command.options.map((option) => line(name, isAt(command, false), optionWords(option))),
    ...command.values.flatMap((value) => (value === 'any' ? [] : [line(name, isAt(command, false), argumentWords(value))])),
  ]);
  return [`# completion of ${name} for fish: ${name} completion fish | source`, `complete -c ${name} -f`, ...lines].join('\n');
}

function line(name: string, condition: string, rest: string): string {
  return `complete -c ${name} -n ${quoted(condition)} ${rest}`;
}

/** @param isNext true where the name of a command below is still to come */
function isAt({ path, subcommands }: CompletedCommand, isNext: boolean): string {
  const seen = path.slice(1).map((word) => `__fish_seen_subcommand_from ${word}`);
  const below = subcommands.map((one) => one.path.at(-1) ?? '');
  // the program's own options stand before any command
  const none = below.length > 0 && (isNext || path.length === 1) ? [`not __fish_seen_subcommand_from ${below.join(' ')}`] : [];
  return [...seen, ...none].join('; and ') || 'true';
}

function optionWords({ flags, description, value }: CompletedOption): string {
  const named = flags.map((flag) => (flag.startsWith('--') ? `-l ${flag.slice(2)}` : `-s ${flag.slice(1)}`));
  return [...named, ...(value === undefined ? [] : ['-r', argumentWords(value)]), `-d ${quoted(description)}`].join(' ');
}

function argumentWords(value: Value): string {
  if (value === 'file') return '-F';
  return value === 'any' ? '' : `-a ${quoted(value.join(' '))}`;
}

function quoted(text: string): string {
  return `'${text.replaceAll('\\', '\\\\').replaceAll("'", "\\'")}'`;
}

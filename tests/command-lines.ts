/** The command lines that documents show, and what the real program says of each; nothing of them is carried out. */
import { CommanderError, type Command } from 'commander';
import { createProgram } from '../src/cli/program.ts';

export interface CommandLine {
  /** What stands behind `steelyard`. */
  readonly words: readonly string[];
  /** In a block a line is meant to be typed; in a sentence it may stop early, as `steelyard outbox` does. */
  readonly isWhole: boolean;
}

/** `NUMBER…`, `[TO]`, `NUMBER:HASH`: what a reader puts there. A number is taken wherever one of them may stand. */
const PLACEHOLDER = /^\[?[A-Z][A-Z:]+…?\]?$/;

/** Words that lack something say what is meant all the same. */
const STOPS_EARLY = [
  'commander.missingArgument',
  'commander.missingMandatoryOptionValue',
  'commander.help',
  'commander.optionMissingArgument',
];

/** `completion SHELL`: the placeholder stands for one of some words, of which a number is none. */
const CHOICE_LEFT_OPEN = /argument value '1' is invalid for argument '[^']+'\. Allowed choices are/;

const LINE = /(?:^|[\s;&|(])(?:npx steelyard|steelyard|node bin\/steelyard\.js)(?![\w.-])((?: +(?:"[^"]*"|[^\s;&|)#"]+))*)/g;

/** Every command line in the shell blocks and code spans of a Markdown text. */
export function commandLinesIn(text: string): readonly CommandLine[] {
  const blocks = [...text.matchAll(/^```\w*\n([\s\S]*?)^```/gm)].map(([, block]) => String(block).replaceAll('\\\n', ' '));
  const spans = [...text.replaceAll(/^```[\s\S]*?^```/gm, '').matchAll(/`([^`\n]+)`/g)].map(([, span]) =>
    String(span).replaceAll('\\|', '|'),
  );
  return [
    ...blocks.flatMap((block) => block.split('\n').flatMap((line) => linesIn(line, true))),
    ...spans.flatMap((span) => linesIn(isCommand(span) ? `steelyard ${span}` : span, false)),
  ];
}

/** `outbox retry` in a sentence means the command without the program's name; `policy loaded` means none. */
function isCommand(span: string): boolean {
  const [first, second] = span.split(' ');
  const below = newProgram().commands.find((command) => command.name() === first)?.commands ?? [];
  return below.some((command) => command.name() === second);
}

function linesIn(text: string, isWhole: boolean): readonly CommandLine[] {
  return [...text.matchAll(LINE)].map(([, rest = '']) => ({
    words: (rest.match(/"[^"]*"|\S+/g) ?? [])
      .map((word) => (isWhole ? word.replace(/^"|"$/g, '') : word.replace(/^"|"$/g, '').replace(PLACEHOLDER, '1')))
      .filter((word) => !/^\d?>/.test(word)),
    isWhole,
  }));
}

/** What the program says against a command line; undefined when it would set to work. */
export function complaintAbout({ words, isWhole }: CommandLine): string | undefined {
  try {
    withoutWork(newProgram()).parse([...words], { from: 'user' });
  } catch (error) {
    if (!(error instanceof CommanderError)) throw error;
    const isMeant = !isWhole && (STOPS_EARLY.includes(error.code) || CHOICE_LEFT_OPEN.test(error.message));
    return error.exitCode === 0 || isMeant ? undefined : error.message;
  }
  return undefined;
}

function newProgram(): Command {
  return createProgram({ print: () => undefined, complain: () => undefined, tint: (_, text) => text, columns: 80 });
}

/** Reads its arguments as ever, says nothing and does nothing. */
function withoutWork(command: Command): Command {
  command.configureOutput({ writeOut: () => undefined, writeErr: () => undefined });
  if (command.commands.length === 0) command.action(() => undefined);
  command.commands.forEach(withoutWork);
  return command;
}

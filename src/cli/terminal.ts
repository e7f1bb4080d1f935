/** What a command may do to a terminal, and the exit codes that all commands share. */
import pc from 'picocolors';

export const EXIT = {
  ok: 0,
  /** The command did its work, and not everything is as it should be. */
  found: 1,
  /** Bad usage, or something that cannot be read. */
  usage: 2,
} as const;

/** Ends a command with one sentence on standard error. */
export class CommandFailed extends Error {
  readonly exitCode: number;
  constructor(message: string, exitCode: number = EXIT.usage) {
    super(message);
    this.name = 'CommandFailed';
    this.exitCode = exitCode;
  }
}

export type Tint = 'red' | 'yellow' | 'green' | 'dim' | 'bold';

export interface Terminal {
  /** Writes lines to standard output. */
  readonly print: (...lines: readonly string[]) => void;
  /** Writes lines to standard error. */
  readonly complain: (...lines: readonly string[]) => void;
  readonly tint: (tint: Tint, text: string) => string;
  readonly columns: number;
}

const WIDEST = 100;
const NARROWEST = 60;

/** The terminal of this process: colours only on a real one, and never against NO_COLOR. */
export function processTerminal(): Terminal {
  const { stdout, stderr, env } = process;
  // isTTY is undefined where there is no terminal, and undefined would make picocolors guess
  const colours = pc.createColors(stdout.isTTY ? !env['NO_COLOR'] && env['TERM'] !== 'dumb' : false);
  return {
    print: (...lines) => void stdout.write(lines.map((line) => `${line}\n`).join('')),
    complain: (...lines) => void stderr.write(lines.map((line) => `${line}\n`).join('')),
    tint: (tint, text) => colours[tint](text),
    columns: Math.min(WIDEST, Math.max(NARROWEST, stdout.columns || WIDEST)),
  };
}

/** Text from a file or a store without the characters by which it could steer the terminal. */
export function printable(text: string): string {
  return text.replaceAll(/\p{Cc}|\p{Cf}|\p{Zl}|\p{Zp}/gu, '\u{FFFD}');
}

/** Breaks a text at spaces into lines of at most `columns`, each behind `indent`. */
export function wrapped(text: string, columns: number, indent = ''): string[] {
  const lines: string[] = [];
  let line = '';
  for (const word of text.split(' ')) {
    if (line !== '' && indent.length + line.length + 1 + word.length > columns) {
      lines.push(indent + line);
      line = word;
    } else line = line === '' ? word : `${line} ${word}`;
  }
  return [...lines, indent + line];
}

/** What stands under every judgement that is shown to people. */
export const CAUTION =
  'Steelyard checks and forwards numbers; it makes no medical decision. Clinical judgement, local policy and licensed practice come first. Verify a held reading by weighing again.';

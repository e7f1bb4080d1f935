/** The command line in this process, where no process of its own is what is tested: quick, and in reach of a debugger. */
import { CommanderError } from 'commander';
import { createProgram } from '../../src/cli/program.ts';
import { CommandFailed, EXIT, type Terminal } from '../../src/cli/terminal.ts';

export interface Said {
  readonly exitCode: number;
  readonly stdout: string;
}

export interface Heard extends Terminal {
  text(): string;
}

export function listeningTerminal(columns = 100): Heard {
  const heard: string[] = [];
  return {
    print: (...lines) => void heard.push(...lines),
    complain: (...lines) => void heard.push(...lines),
    tint: (_tint, text) => text,
    columns,
    text: () => heard.map((line) => `${line}\n`).join(''),
  };
}

/** Runs a command to its end; what it prints, and its sentence when it fails, are one text. */
export async function runHere(args: readonly string[]): Promise<Said> {
  const terminal = listeningTerminal();
  const before = process.exitCode;
  process.exitCode = undefined;
  try {
    const program = createProgram(terminal);
    const quiet = { writeOut: (text: string) => terminal.print(text), writeErr: (text: string) => terminal.print(text) };
    program.configureOutput(quiet).commands.forEach((command) => command.configureOutput(quiet));
    await program.parseAsync([...args], { from: 'user' });
    return { exitCode: Number(process.exitCode ?? EXIT.ok), stdout: terminal.text() };
  } catch (error) {
    if (error instanceof CommanderError) return { exitCode: error.exitCode === 0 ? EXIT.ok : EXIT.usage, stdout: terminal.text() };
    if (error instanceof CommandFailed) return { exitCode: error.exitCode, stdout: `${terminal.text()}${error.message}\n` };
    throw error;
  } finally {
    process.exitCode = before;
  }
}

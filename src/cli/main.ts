/**
 * The command line's entry point: hands the arguments to the program and sets the exit code.
 */
import { CommanderError } from 'commander';
import { ConfigError, EXIT_BAD_CONFIG } from '../config.ts';
import { createProgram } from './program.ts';
import { CommandFailed, EXIT, processTerminal } from './terminal.ts';

// a reader that has seen enough (`steelyard rules | head`) is no fault
process.stdout.on('error', (error: NodeJS.ErrnoException) => {
  if (error.code === 'EPIPE') process.exit(EXIT.ok);
  throw error;
});

const terminal = processTerminal();
try {
  await createProgram(terminal).parseAsync(process.argv);
} catch (error) {
  process.exitCode = exitCodeOf(error);
}

function exitCodeOf(error: unknown): number {
  if (error instanceof CommanderError) return error.exitCode === 0 ? EXIT.ok : EXIT.usage; // it has spoken already
  if (error instanceof ConfigError) {
    terminal.complain(...error.problems);
    return EXIT_BAD_CONFIG;
  }
  if (error instanceof CommandFailed) {
    terminal.complain(error.message);
    return error.exitCode;
  }
  throw error;
}

/** Where a report goes: standard output, or a file that is none of those that are read. */
import { closeSync, existsSync, openSync, realpathSync, writeFileSync } from 'node:fs';
import { CommandFailed, type Terminal } from '../terminal.ts';
import { STANDARD_INPUT, type Source } from './sources.ts';
import type { Reporting } from './reporter.ts';

export interface Output extends Pick<Reporting, 'write' | 'look'> {
  /** Writes what was held back, and closes the file. */
  close(): void;
}

export interface Surface {
  readonly terminal: Terminal;
  /** True while something else is drawn on the terminal. */
  readonly isHeldBack: boolean;
}

/** Columns of a report in a file. */
const FILE_COLUMNS = 100;

/** @throws CommandFailed when the file cannot be written, or is one of those that are read */
export function reportTo(file: string | undefined, sources: readonly Source[], { terminal, isHeldBack }: Surface): Output {
  if (file !== undefined) return intoFile(file, sources);
  if (!isHeldBack) return { write: terminal.print, look: terminal, close: () => undefined };
  const held: string[] = [];
  return { write: (...lines) => void held.push(...lines), look: terminal, close: () => terminal.print(...held) };
}

function intoFile(file: string, sources: readonly Source[]): Output {
  const taken = existsSync(file) ? realpathSync(file) : undefined;
  if (
    taken !== undefined &&
    sources.some((source) => source.file !== STANDARD_INPUT && existsSync(source.file) && realpathSync(source.file) === taken)
  )
    throw new CommandFailed('--output names a file that is to be checked; it would be overwritten. Give another one.');
  const descriptor = orFail(() => openSync(file, 'w'));
  return {
    // on a descriptor this writes where the last writing ended
    write: (...lines) => orFail(() => writeFileSync(descriptor, lines.map((line) => `${line}\n`).join(''))),
    look: { tint: (_tint, text) => text, columns: FILE_COLUMNS },
    close: () => closeSync(descriptor),
  };
}

function orFail<Result>(write: () => Result): Result {
  try {
    return write();
  } catch (error) {
    throw new CommandFailed(`--output cannot be written (${(error as NodeJS.ErrnoException).code ?? 'unknown reason'}).`);
  }
}

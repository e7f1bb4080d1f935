/** How far a command has come: a bar on a terminal, and elsewhere plain lines or nothing. */
import { SingleBar } from 'cli-progress';

export interface Progress {
  /** @param done so much of the whole */
  step(done: number, label: string): void;
  end(): void;
}

/** The part of a stream that is drawn on. */
export type Screen = Pick<NodeJS.WriteStream, 'isTTY' | 'write'>;

/** Plain lines after each of so many equal parts. */
const PLAIN_PARTS = 4;

/** @param stream where people look; a bar only when it is a terminal */
export function startProgress(total: number, what: string, stream: NodeJS.WriteStream): Progress {
  if (!stream.isTTY) return plainProgress(total, what, stream);
  return barOf(total, `{bar} {value} of {total} ${what}  {label}`, stream);
}

/** A bar by what was read of a number of bytes; nothing at all where there is no terminal. */
export function startReading(bytes: number, stream: NodeJS.WriteStream): Progress {
  if (!stream.isTTY) return { step: () => undefined, end: () => undefined };
  return barOf(bytes, '{bar} {percentage} %  {label}', stream);
}

function plainProgress(total: number, what: string, stream: Screen): Progress {
  const every = Math.max(1, Math.ceil(total / PLAIN_PARTS));
  return {
    step: (done) => {
      if (done % every === 0 || done === total) stream.write(`  ${done} of ${total} ${what}\n`);
    },
    end: () => undefined,
  };
}

function barOf(total: number, format: string, stream: NodeJS.WriteStream): Progress {
  const bar = new SingleBar({
    format: `  ${format}`,
    barCompleteChar: '━',
    barIncompleteChar: '─',
    barsize: 30,
    hideCursor: true,
    clearOnComplete: false,
    stream,
    fps: 20,
  });
  bar.start(total, 0, { label: '' });
  return {
    step: (done, label) => bar.update(done, { label: done === total ? '' : label }),
    end: () => bar.stop(),
  };
}

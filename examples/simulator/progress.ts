/** How far the day has come: a bar on a terminal, a plain line now and then anywhere else. */
import { SingleBar } from 'cli-progress';

export interface Progress {
  step(done: number, label: string): void;
  end(): void;
}

/** Plain lines after each of so many equal parts. */
const PLAIN_PARTS = 4;

/** @param stream where people look; a bar only when it is a terminal */
export function startProgress(total: number, what: string, stream: NodeJS.WriteStream): Progress {
  if (!stream.isTTY) {
    const every = Math.max(1, Math.ceil(total / PLAIN_PARTS));
    return {
      step: (done) => {
        if (done % every === 0 || done === total) stream.write(`  ${done} of ${total} ${what}\n`);
      },
      end: () => undefined,
    };
  }
  const bar = new SingleBar({
    format: `  {bar} {value} of {total} ${what}  {label}`,
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

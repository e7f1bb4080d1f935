/** `steelyard simulate`: gateways that post an invented ward day to a running service. */
import { GatewayStopped, sendWardDay, type Answered } from '../../examples/simulator/gateway.ts';
import { startProgress } from '../../examples/simulator/progress.ts';
import { wardDay } from '../../examples/simulator/ward-day.ts';
import { CommandFailed, EXIT, type Terminal } from './terminal.ts';
import { unexpectedLines } from '../../examples/simulator/expectations.ts';

export interface SimulateOptions {
  readonly url: string;
  readonly seed: number;
  readonly people: number;
  readonly pace: number;
}

/** Throws CommandFailed when the address is none, or nobody answers there. */
export async function simulate({ url, seed, people, pace }: SimulateOptions, terminal: Terminal): Promise<number> {
  if (!/^https?:/.test(url) || !URL.canParse(url)) throw new CommandFailed('--url must be an http or https address.');
  const day = wardDay({ seed, nowMs: Date.now(), people });
  terminal.print(`Harbourlight Ward: ${people} invented people, ${day.readings.length} readings, seed ${seed}.`);
  const progress = startProgress(day.readings.length, 'readings answered', process.stdout);
  const answers = await sendWardDay(day, {
    base: url.replace(/(?<!\/)\/+$/, ''),
    paceMs: pace,
    onAnswer: ({ reading }, done) => progress.step(done, `${reading.place}: ${reading.story}`),
  })
    .catch((error: unknown) => {
      throw error instanceof GatewayStopped ? new CommandFailed(error.message) : error;
    })
    .finally(() => progress.end());
  return summarise(answers, terminal);
}

function summarise(answers: readonly Answered[], terminal: Terminal): number {
  const count = (verdict: Answered['verdict']): number => answers.filter((answer) => answer.verdict === verdict).length;
  const resent = count('resent');
  terminal.print(
    `${count('accepted')} accepted, ${count('corrected')} corrected, ${count('held')} held, ${count('refused')} refused, ` +
      `${resent} known already (sent twice).`,
  );
  const unexpected = unexpectedLines(answers);
  if (unexpected.length === 0) {
    terminal.print('Every answer was the one that the built-in policy gives.');
    return EXIT.ok;
  }
  terminal.print('', 'Not what the built-in policy answers (a policy of your own may be the reason):', ...unexpected);
  return EXIT.found;
}

/** `steelyard simulate`: gateways that post an invented ward day to a running service. */
import { GatewayStopped, sendWardDay, type Answered } from '../../examples/simulator/gateway.ts';
import { TokenFileError, tokenIn } from '../../examples/simulator/token-file.ts';
import { startProgress } from './progress.ts';
import { wardDay } from '../../examples/simulator/ward-day.ts';
import { isSafe } from '../settings.ts';
import { CommandFailed, EXIT, type Terminal } from './terminal.ts';
import { unexpectedLines } from '../../examples/simulator/expectations.ts';

export interface SimulateOptions {
  readonly url: string;
  readonly seed: number;
  readonly people: number;
  readonly pace: number;
  /** Path of a file that holds a bearer token. */
  readonly tokenFile?: string;
}

/** Throws CommandFailed when the address is none, nobody answers there, or no token is to be had or taken. */
export async function simulate({ url, seed, people, pace, tokenFile }: SimulateOptions, terminal: Terminal): Promise<number> {
  if (!/^https?:/.test(url) || !URL.canParse(url)) throw new CommandFailed('--url must be an http or https address.');
  if (tokenFile !== undefined && !isSafe(url))
    throw new CommandFailed(
      '--url must be an https address while --token-file is given, since the token goes there (http is taken on loopback only).',
    );
  const day = wardDay({ seed, nowMs: Date.now(), people });
  terminal.print(`Harbourlight Ward: ${people} invented people, ${day.readings.length} readings, seed ${seed}.`);
  const progress = startProgress(day.readings.length, 'readings answered', process.stdout);
  const answers = await sendWardDay(day, {
    base: url.replace(/(?<!\/)\/+$/, ''),
    paceMs: pace,
    ...(tokenFile !== undefined && { token: tokenIn(tokenFile) }),
    onAnswer: ({ reading }, done) => progress.step(done, `${reading.place}: ${reading.story}`),
  })
    .catch((error: unknown) => {
      if (error instanceof TokenFileError) throw new CommandFailed(`--token-file: ${error.message}`);
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

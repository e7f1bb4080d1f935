/** The service that a command sends to, by its address and the file of a token. */
import { GatewayStopped, type Service } from '../../examples/simulator/call.ts';
import { TokenFileError, tokenIn } from '../../examples/simulator/token-file.ts';
import { isSafe } from '../settings.ts';
import { CommandFailed } from './terminal.ts';

export interface ServiceOptions {
  readonly url: string;
  /** Path of a file that holds a bearer token. */
  readonly tokenFile?: string;
}

/** Throws CommandFailed when the address is none, or one to which no token may go. */
export function serviceOf({ url, tokenFile }: ServiceOptions): Service {
  if (!/^https?:/.test(url) || !URL.canParse(url)) throw new CommandFailed('--url must be an http or https address.');
  if (tokenFile !== undefined && !isSafe(url))
    throw new CommandFailed(
      '--url must be an https address while --token-file is given, since the token goes there (http is taken on loopback only).',
    );
  return { base: url.replace(/(?<!\/)\/+$/, ''), ...(tokenFile !== undefined && { token: tokenIn(tokenFile) }) };
}

/** What sending threw, as the end of a command where a sentence says enough. */
export function endOfSending(error: unknown): unknown {
  if (error instanceof TokenFileError) return new CommandFailed(`--token-file: ${error.message}`);
  return error instanceof GatewayStopped ? new CommandFailed(error.message) : error;
}

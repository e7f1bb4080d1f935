/** Whose command it is, for the audit: the account of the operating system. */
import { randomUUID } from 'node:crypto';
import { userInfo } from 'node:os';
import type { Call } from '../caller.ts';

/** @param command the command that was called, as it stands in the help */
export function operator(command: string): Call {
  return { requestId: randomUUID(), caller: { client: `steelyard-${command}`, user: accountName() } };
}

/** An account without a name, as in a container, is known by its number. */
function accountName(): string {
  try {
    return userInfo().username;
  } catch {
    return `uid-${process.getuid?.() ?? 'unknown'}`;
  }
}

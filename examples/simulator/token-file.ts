/**
 * A bearer token that is kept in a file, as whoever renews it puts it there. It is read for each
 * call, so that a renewed one counts at once; it is a secret, and is never shown.
 */
import { readFile } from 'node:fs/promises';

/** More than any authorization server gives. */
const LONGEST_TOKEN = 16 * 1024;

/** The file cannot be used. The message names it and says why, and nothing of what is in it. */
export class TokenFileError extends Error {
  override readonly name = 'TokenFileError';
}

/** Reads the token in `path` when it is called. @throws TokenFileError */
export function tokenIn(path: string): () => Promise<string> {
  return async () => {
    const text = await readFile(path, 'utf8').catch((cause: unknown) => {
      throw new TokenFileError(`${path} cannot be read (${(cause as NodeJS.ErrnoException).code ?? 'unknown reason'}).`, { cause });
    });
    const token = text.trim();
    // RFC 6750 section 2.1, b64token
    if (token.length > LONGEST_TOKEN || !/^[A-Za-z0-9\-._~+/]+=*$/.test(token))
      throw new TokenFileError(`${path} holds no bearer token; it must hold the token and nothing else.`);
    return token;
  };
}

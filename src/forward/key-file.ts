/**
 * The file of our signing keys, read again for each token, so that keys change without a restart.
 *
 * To change the key: put the new one at the end of the set, with its public half published to the
 * EHR beforehand; once tokens come, take the old one out here and there.
 */
import { readFile } from 'node:fs/promises';
import type { ConnectionLog } from './connection-log.ts';
import { readSigningKey, type SigningKey } from './signing-key.ts';

/** The key file cannot be used. The message is a sentence without its beginning: "cannot be read (ENOENT)". */
export class KeyFileError extends Error {
  constructor(problem: string) {
    super(problem);
    this.name = 'KeyFileError';
  }
}

export class KeyFile {
  readonly #path: string;
  readonly #log: ConnectionLog;
  #text: string;
  #key: SigningKey;
  #saidProblem: string | undefined;

  private constructor(path: string, log: ConnectionLog, text: string, key: SigningKey) {
    this.#path = path;
    this.#log = log;
    this.#text = text;
    this.#key = key;
  }

  /** @throws KeyFileError when there is no key to begin with */
  static async open(path: string, log: ConnectionLog): Promise<KeyFile> {
    const text = await read(path);
    const result = await readSigningKey(text);
    if (!result.ok) throw new KeyFileError(result.problem);
    return new KeyFile(path, log, text, result.key);
  }

  /** The newest key. While the file is broken or half written, the last good one, and a line in the log says so. */
  async newest(): Promise<SigningKey> {
    try {
      const text = await read(this.#path);
      if (text !== this.#text) await this.#take(text);
      else if (this.#saidProblem !== undefined) this.#mended();
    } catch (error) {
      if (!(error instanceof KeyFileError)) throw error;
      this.#complain(error.message);
    }
    return this.#key;
  }

  async #take(text: string): Promise<void> {
    const result = await readSigningKey(text);
    if (!result.ok) throw new KeyFileError(result.problem);
    const isAnother = result.key.kid !== this.#key.kid;
    this.#text = text;
    this.#key = result.key;
    if (this.#saidProblem !== undefined) this.#mended();
    if (isAnother) this.#log.info({}, 'the EHR is asked for tokens with another key from now on');
  }

  #complain(problem: string): void {
    if (problem === this.#saidProblem) return;
    this.#saidProblem = problem;
    this.#log.error({}, `the last good key for the EHR stays in use: the key file ${problem}`);
  }

  #mended(): void {
    this.#saidProblem = undefined;
    this.#log.info({}, 'the key file for the EHR is good again');
  }
}

async function read(path: string): Promise<string> {
  try {
    return await readFile(path, 'utf8');
  } catch (error) {
    const code = error instanceof Error && 'code' in error && typeof error.code === 'string' ? error.code : 'unknown reason';
    throw new KeyFileError(`cannot be read (${code})`);
  }
}

/**
 * What is read of an answer from outside: as much as was agreed, as UTF-8, and what went wrong otherwise.
 */

/** The body as text; undefined when it is longer than the limit, breaks off, or is not UTF-8. */
export async function readBounded(response: Response, longestBytes: number): Promise<string | undefined> {
  if (response.body === null) return '';
  const decoder = new TextDecoder('utf-8', { fatal: true });
  let text = '';
  let bytes = 0;
  try {
    for await (const chunk of response.body as AsyncIterable<Uint8Array>) {
      bytes += chunk.byteLength;
      if (bytes > longestBytes) return undefined; // leaving the loop cancels the body
      text += decoder.decode(chunk, { stream: true });
    }
    return text + decoder.decode();
  } catch {
    return undefined;
  }
}

/** A short code of ours or Node's for what went wrong; never the message, which may quote a URL. */
export function causeOf(error: unknown): string {
  const inner = error instanceof Error && error.cause instanceof Error ? error.cause : error;
  if (inner instanceof Error && 'code' in inner && typeof inner.code === 'string') return inner.code;
  return error instanceof Error ? error.name : 'unknown';
}

/** Runs out with `signal`, whatever becomes of `work`. Throws the signal's reason. */
export async function unlessAborted<T>(work: Promise<T>, signal: AbortSignal): Promise<T> {
  signal.throwIfAborted();
  let giveUp: () => void = () => undefined;
  const aborted = new Promise<never>((_resolve, reject) => {
    giveUp = () => reject(signal.reason as Error);
    signal.addEventListener('abort', giveUp, { once: true });
  });
  try {
    return await Promise.race([work, aborted]);
  } finally {
    signal.removeEventListener('abort', giveUp);
  }
}

/**
 * Where the key set comes from: the one URL that is configured, or a file. Never from anywhere that
 * a token names.
 */
import { open } from 'node:fs/promises';
import { Agent, fetch, type Response } from 'undici';

export interface KeySource {
  /** Text of a JWK set (RFC 7517 section 5), and for how long it need not be read again. Throws when it cannot be had. */
  read(): Promise<{ readonly text: string; readonly freshForMs: number }>;
  /** Between two reads pass at least so many milliseconds, whatever tokens ask for. */
  readonly pauseMs: number;
}

/** What was read is no key set. The message goes on from the name of where it was read, and quotes nothing of it. */
export class UnusableKeys extends Error {}

/** A key is about half a kilobyte. */
const LARGEST_BYTES = 256 * 1024;

/** A file may be looked at more often than a server: rotation without a restart, within a second. */
const FILE_PAUSE_MS = 1_000;

export function fileKeys(path: string): KeySource {
  return {
    pauseMs: FILE_PAUSE_MS,
    read: async () => {
      const file = await open(path, 'r');
      try {
        const { bytesRead, buffer } = await file.read({ buffer: Buffer.alloc(LARGEST_BYTES + 1) });
        if (bytesRead > LARGEST_BYTES) throw new UnusableKeys(`is larger than ${LARGEST_BYTES / 1024} KiB`);
        return { text: buffer.toString('utf8', 0, bytesRead), freshForMs: FILE_PAUSE_MS };
      } finally {
        await file.close();
      }
    },
  };
}

const URL_PAUSE_MS = 60_000;
const LONGEST_FRESH_MS = 10 * 60_000;
const LONGEST_FETCH_MS = 5_000;

/** @param url https, or http on loopback, as `settings.ts` has checked */
export function urlKeys(url: string): KeySource {
  // said in so many words, so that no environment variable turns it off
  const dispatcher = new Agent({ connect: { rejectUnauthorized: true }, keepAliveTimeout: 1 });
  return {
    pauseMs: URL_PAUSE_MS,
    read: async () => {
      const response = await fetch(url, {
        headers: { Accept: 'application/jwk-set+json, application/json' },
        redirect: 'error',
        dispatcher,
        signal: AbortSignal.timeout(LONGEST_FETCH_MS),
      });
      if (response.status !== 200) {
        await response.body?.cancel();
        throw new Error(`the key server answered ${response.status}`);
      }
      return { text: await boundedText(response), freshForMs: freshFor(response.headers.get('cache-control') ?? '') };
    },
  };
}

async function boundedText({ body }: Response): Promise<string> {
  const chunks: Uint8Array[] = [];
  let bytes = 0;
  for await (const chunk of body ?? []) {
    chunks.push(chunk as Uint8Array);
    bytes += (chunk as Uint8Array).length;
    // leaving the loop cancels the rest
    if (bytes > LARGEST_BYTES) throw new UnusableKeys(`is larger than ${LARGEST_BYTES / 1024} KiB`);
  }
  return Buffer.concat(chunks).toString('utf8');
}

/** As long as the server says (RFC 9111), but neither asked at every call nor trusted for hours. */
export function freshFor(cacheControl: string): number {
  if (/\bno-(store|cache)\b/i.test(cacheControl)) return URL_PAUSE_MS;
  const seconds = Number(/\bmax-age\s*=\s*"?(\d{1,9})/i.exec(cacheControl)?.[1] ?? Infinity);
  return Math.min(Math.max(seconds * 1000, URL_PAUSE_MS), LONGEST_FRESH_MS);
}

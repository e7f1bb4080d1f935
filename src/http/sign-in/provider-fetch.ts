/** How the identity provider is asked: with its certificate checked, without redirects, and for answers of a bearable size. */
import type { CustomFetchOptions } from 'openid-client';
import { Agent, fetch } from 'undici';

/** Metadata, keys, tokens and claims are a few kilobytes each. */
const LARGEST_BYTES = 256 * 1024;
const WITHOUT_BODY: ReadonlySet<number> = new Set([204, 205, 304]);

// said in so many words, so that no environment variable turns it off
const dispatcher = new Agent({ connect: { rejectUnauthorized: true }, keepAliveTimeout: 1 });

/** In place of built-in `fetch`. Throws what that throws, and an Error for an answer that is too large. */
export async function askProvider(url: string, { method, headers, body, signal }: CustomFetchOptions): Promise<Response> {
  const answer = await fetch(url, {
    method,
    headers,
    redirect: 'manual',
    dispatcher,
    ...(body !== undefined && body !== null && { body: asText(body) }),
    ...(signal !== undefined && { signal }),
  });
  const chunks: Uint8Array[] = [];
  let bytes = 0;
  for await (const chunk of answer.body ?? []) {
    chunks.push(chunk as Uint8Array);
    bytes += (chunk as Uint8Array).length;
    // leaving the loop cancels the rest
    if (bytes > LARGEST_BYTES) throw new TypeError(`the identity provider answered with more than ${LARGEST_BYTES / 1024} KiB`);
  }
  return new Response(WITHOUT_BODY.has(answer.status) ? null : Buffer.concat(chunks), {
    status: answer.status,
    headers: [...answer.headers],
  });
}

/** Forms are all that is ever sent. */
function asText(body: NonNullable<CustomFetchOptions['body']>): string {
  if (typeof body === 'string') return body;
  if (body instanceof URLSearchParams) return body.toString();
  throw new TypeError('the identity provider is sent forms only');
}

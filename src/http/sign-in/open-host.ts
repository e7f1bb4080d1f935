/**
 * While nobody signs in, the service listens on loopback only; but every site that is open in a
 * browser on that machine can send requests there. A name of that site's own that resolves to
 * loopback (DNS rebinding) would make it one with our pages, so the name that was asked for is looked at.
 */
import type { Request } from '../serving.ts';

const LOOPBACK = /^(?:localhost|127(?:\.\d{1,3}){3}|\[::1\])$/i;
const HTTP_PORT = 80;

/** Origin of the pages as the browser knows it; undefined when it asked for another name or port than ours. */
export function openOriginOf(req: Pick<Request, 'headers' | 'socket'>): string | undefined {
  const [, name, port] = /^(.*?)(?::(\d{1,5}))?$/.exec(req.headers.host ?? '') ?? [];
  if (name === undefined || !LOOPBACK.test(name) || Number(port ?? HTTP_PORT) !== req.socket.localPort) return undefined;
  // as browsers write an origin
  return new URL(`http://${req.headers.host ?? ''}`).origin;
}

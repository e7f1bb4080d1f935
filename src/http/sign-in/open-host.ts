/**
 * While nobody signs in, the service listens on loopback only; but every site that is open in a
 * browser on that machine can send requests there. A name of that site's own that resolves to
 * loopback (DNS rebinding) would make it one with our pages, so the name that was asked for is looked at.
 */
import { ServiceError } from '../../errors.ts';
import type { Request, RequestHandler, Serving } from '../serving.ts';

const LOOPBACK = /^(?:localhost|127(?:\.\d{1,3}){3}|\[::1\])$/i;
const HTTP_PORT = 80;
const NAME_AND_PORT = /^(.*?)(?::(\d{1,5}))?$/;

/** Origin of the pages as the browser knows it; undefined when it asked for another name or port than ours. */
export function openOriginOf(req: Pick<Request, 'headers' | 'socket'>): string | undefined {
  const [, name, port] = NAME_AND_PORT.exec(req.headers.host ?? '') ?? [];
  if (name === undefined || !LOOPBACK.test(name) || Number(port ?? HTTP_PORT) !== req.socket.localPort) return undefined;
  // as browsers write an origin
  return new URL(`http://${req.headers.host ?? ''}`).origin;
}

/**
 * Middleware of the FHIR interface, for the same reason. Ports are not looked at, since a tunnel has another
 * one: a page on another port is another origin, to which no answer is shown. What names no host is no browser.
 */
export function underOwnName({ knownAs }: Pick<Serving, 'knownAs'>): RequestHandler {
  if (knownAs === undefined) return (_req, _res, next) => next();
  return (req, _res, next) => {
    const { host } = req.headers;
    const [, name = ''] = NAME_AND_PORT.exec(host ?? '') ?? [];
    if (host !== undefined && !LOOPBACK.test(name) && !knownAs.includes(name.toLowerCase()))
      throw new ServiceError(
        'ERR_FORBIDDEN',
        'While anybody may call (STEELYARD_AUTH=none), this is served only under localhost, 127.0.0.1, [::1] and the name of STEELYARD_BASE_URL: another name could be that of any site.',
        { expression: 'http.host' },
      );
    next();
  };
}

/**
 * What no route should have to look at: requests that are refused by their first lines alone.
 */
import { ServiceError } from '../errors.ts';
import { decodePercent } from './search/query.ts';
import type { Request, RequestHandler, Response } from './serving.ts';

const LONGEST_URL = 8 * 1024;
const LONGEST_HEADER = 8 * 1024;
const MOST_HEADERS = 100;

/** Of these node keeps the first and forgets the others, and a proxy before us may do otherwise (RFC 9112 section 3.2 for Host). */
const SAID_ONCE = ['host', 'authorization', 'content-type'] as const;

/** RFC 9110 section 7.2, RFC 3986 section 3.2.2: a name or address, and a port. */
const HOST = /^(?:\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._~%!$&'()*+,;=-]{0,255})(?::[0-9]{0,5})?$/;

function countOf(rawHeaders: readonly string[], name: string): number {
  // names and values in turn
  return rawHeaders.filter((text, at) => at % 2 === 0 && text.length === name.length && text.toLowerCase() === name).length;
}

export const checkFirstLines: RequestHandler = (req, res, next) => {
  if (req.url.length > LONGEST_URL) {
    throw new ServiceError('ERR_URL_TOO_LONG', `The URL has more than ${LONGEST_URL} characters. Search with POST and _search instead.`);
  }
  if (req.rawHeaders.length > 2 * MOST_HEADERS)
    throw new ServiceError('ERR_HEADERS_TOO_LARGE', `There are more than ${MOST_HEADERS} headers.`);
  if (req.rawHeaders.some((text) => text.length > LONGEST_HEADER)) throw new ServiceError('ERR_HEADERS_TOO_LARGE', 'A header is too long.');
  if (req.httpVersionMajor !== 1)
    throw new ServiceError('ERR_BAD_REQUEST', 'This is served with HTTP/1.1.', { expression: 'http.version' });
  checkFraming(req, res);
  if (req.httpVersion !== '1.0' && req.headers.host === undefined) {
    throw new ServiceError('ERR_BAD_REQUEST', 'There is no Host header.', { expression: 'http.host' });
  }
  const twice = SAID_ONCE.find((name) => countOf(req.rawHeaders, name) > 1);
  if (twice !== undefined)
    throw new ServiceError('ERR_BAD_REQUEST', `The header ${twice} may stand there once only.`, { expression: `http.${twice}` });
  if (!HOST.test(req.headers.host ?? '')) {
    throw new ServiceError('ERR_BAD_REQUEST', 'The Host header is no host and port.', { expression: 'http.host' });
  }
  const expect = req.get('expect');
  if (expect !== undefined && expect.toLowerCase() !== '100-continue') {
    throw new ServiceError('ERR_EXPECTATION', 'The only expectation that is met is 100-continue.', { expression: 'http.expect' });
  }
  // a broken percent-encoding is refused here, not only where a route happens to decode it
  decodePercent(req.url, 'http.path');
  next();
};

/**
 * Of how a body may be cut into parts only the plain form: a proxy before us may understand
 * another one differently (RFC 9112 sections 6.1 and 11.2). What node's parser lets through.
 */
function checkFraming(req: Request, res: Response): void {
  const coding = req.headers['transfer-encoding'];
  if (coding === undefined || (coding.toLowerCase() === 'chunked' && req.httpVersion === '1.1')) return;
  res.set('Connection', 'close');
  throw new ServiceError('ERR_BAD_REQUEST', 'The only transfer coding that is taken is chunked, with HTTP/1.1.', {
    expression: 'http.transfer-encoding',
  });
}

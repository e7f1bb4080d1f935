/**
 * What no route should have to look at: requests that are refused by their first lines alone.
 */
import { ServiceError } from '../errors.ts';
import { decodePercent } from './search/query.ts';
import type { RequestHandler } from './serving.ts';

const LONGEST_URL = 8 * 1024;
const LONGEST_HEADER = 8 * 1024;
const MOST_HEADERS = 100;

export const checkFirstLines: RequestHandler = (req, _res, next) => {
  if (req.url.length > LONGEST_URL) {
    throw new ServiceError('ERR_URL_TOO_LONG', `The URL has more than ${LONGEST_URL} characters. Search with POST and _search instead.`);
  }
  if (req.rawHeaders.length > 2 * MOST_HEADERS)
    throw new ServiceError('ERR_HEADERS_TOO_LARGE', `There are more than ${MOST_HEADERS} headers.`);
  if (req.rawHeaders.some((text) => text.length > LONGEST_HEADER)) throw new ServiceError('ERR_HEADERS_TOO_LARGE', 'A header is too long.');
  if (req.httpVersion !== '1.0' && req.headers.host === undefined) {
    throw new ServiceError('ERR_BAD_REQUEST', 'There is no Host header.', { expression: 'http.host' });
  }
  const expect = req.get('expect');
  if (expect !== undefined && expect.toLowerCase() !== '100-continue') {
    throw new ServiceError('ERR_EXPECTATION', 'The only expectation that is met is 100-continue.', { expression: 'http.expect' });
  }
  // a broken percent-encoding is refused here, not only where a route happens to decode it
  decodePercent(req.url, 'http.path');
  next();
};

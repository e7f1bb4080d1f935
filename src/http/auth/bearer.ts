/**
 * Where a token may stand: in one Authorization header, and nowhere else. In a URL or a form it
 * would get into logs and histories (RFC 6750 sections 2 and 5.3).
 */
import { ServiceError } from '../../errors.ts';
import { parseQuery, queryOf, type QueryParameter } from '../search/query.ts';
import type { Request } from '../serving.ts';
import { RefusedToken } from './refused-token.ts';

/** RFC 6750 section 2.1, `b64token`. */
const BEARER = /^Bearer +([A-Za-z0-9._~+/-]+=*)$/i;
const IN_URL = 'A token must not stand in the URL, where others can read it. Send it in the Authorization header, and have it revoked.';

/**
 * The token of a request; undefined when there is none, or another scheme.
 *
 * @throws RefusedToken; ServiceError ERR_BAD_REQUEST for two ways at once, ERR_UNAUTHENTICATED for a token in the URL
 */
export function bearerTokenOf(req: Pick<Request, 'rawHeaders' | 'originalUrl'>): string | undefined {
  const headers = valuesOf(req.rawHeaders, 'authorization');
  if (hasToken(parseQuery(queryOf(req.originalUrl)))) {
    throw headers.length > 0 ? invalidRequest(IN_URL) : new ServiceError('ERR_UNAUTHENTICATED', IN_URL, { expression: 'http.query' });
  }
  if (headers.length > 1) throw invalidRequest('There is more than one Authorization header. Send one.');
  const [header] = headers;
  if (header === undefined || !/^Bearer\b/i.test(header)) return undefined;
  const token = BEARER.exec(header)?.[1];
  if (token === undefined) throw new RefusedToken('form');
  return token;
}

/** @throws ServiceError ERR_BAD_REQUEST when the parameters of a search hold a token */
export function refuseTokenIn(parameters: readonly QueryParameter[]): void {
  if (hasToken(parameters)) throw invalidRequest('A token must not stand in a form or URL. Send it in the Authorization header.');
}

function hasToken(parameters: readonly QueryParameter[]): boolean {
  return parameters.some(({ name }) => name.toLowerCase() === 'access_token');
}

function invalidRequest(message: string): ServiceError {
  return new ServiceError('ERR_BAD_REQUEST', message, { expression: 'http.authorization', challenge: 'error="invalid_request"' });
}

/** Node keeps only the first of several in `headers`. */
function valuesOf(rawHeaders: readonly string[], wanted: string): string[] {
  return rawHeaders.flatMap((name, index) => (index % 2 === 0 && name.toLowerCase() === wanted ? [rawHeaders[index + 1] ?? ''] : []));
}

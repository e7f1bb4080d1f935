/**
 * `/.well-known/smart-configuration` under the FHIR base (SMART App Launch 2.2, Conformance): what
 * this service knows of how to get a token. It is no authorization server and is not told where the
 * token endpoint is, so that stands at the issuer's own metadata (RFC 8414), which is named here.
 */
import { ServiceError } from '../../errors.ts';
import type { Handler, Serving } from '../serving.ts';
import { scopesServed } from './needs.ts';

export function readSmartConfiguration({ auth: { tokens } }: Pick<Serving, 'auth'>): Handler {
  if (tokens === undefined) {
    return () => {
      throw new ServiceError('ERR_NOT_FOUND', 'No token is asked for here, so there is nothing to say of tokens.');
    };
  }
  const { issuer, keysUrl } = tokens;
  const text = JSON.stringify({
    issuer,
    ...(keysUrl !== undefined && { jwks_uri: keysUrl }),
    scopes_supported: scopesServed(),
    capabilities: ['permission-v1', 'permission-v2'],
  });
  return (_req, res) => {
    res.status(200).type('application/json').end(text);
  };
}

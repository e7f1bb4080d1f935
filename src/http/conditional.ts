/**
 * Conditional requests: If-Match, If-None-Match, If-None-Exist (HL7 FHIR R4 http sections
 * 3.1.0.5, 3.1.0.7 and 3.1.0.8.1).
 */
import { ServiceError } from '../errors.ts';
import { etagOf } from './answer.ts';
import { parseQuery } from './search/query.ts';
import type { Request } from './serving.ts';

const ETAG = /^(?:W\/)?"([1-9]\d{0,8})"$/;

/** The version that a change is based on; undefined when the header is absent. */
export function ifMatchVersion(req: Request): number | undefined {
  const header = req.get('if-match');
  if (header === undefined) return undefined;
  const match = ETAG.exec(header.trim());
  if (!match) {
    throw new ServiceError('ERR_BAD_VALUE', 'If-Match must name one version as W/"3". Send the ETag of the version that you read.', {
      expression: 'http.if-match',
    });
  }
  return Number(match[1]);
}

/** @throws ServiceError ERR_IF_MATCH_REQUIRED */
export function requiredIfMatchVersion(req: Request): number {
  const version = ifMatchVersion(req);
  if (version === undefined) {
    throw new ServiceError(
      'ERR_IF_MATCH_REQUIRED',
      'A correction must name the version that it corrects. Send If-Match with the ETag that you read.',
      {
        expression: 'http.if-match',
      },
    );
  }
  return version;
}

/** True when the caller already has this version, so that 304 answers the read. */
export function hasVersion(req: Request, version: number): boolean {
  const header = req.get('if-none-match');
  if (header === undefined) return false;
  const bare = (tag: string) => tag.trim().replace(/^W\//, '');
  return header.split(',').some((tag) => tag.trim() === '*' || bare(tag) === bare(etagOf(version)));
}

/**
 * The search part of a conditional create, as `identifier=system|value` in plain characters.
 * Any other search than by one identifier is refused: R4 lets a server say which it supports.
 */
export function ifNoneExist(req: Request): string | undefined {
  const header = req.get('if-none-exist');
  if (header === undefined) return undefined;
  const refuse = (code: 'ERR_BAD_VALUE' | 'ERR_NOT_SUPPORTED', message: string): never => {
    throw new ServiceError(code, message, { expression: 'http.if-none-exist' });
  };
  const [first, ...others] = parseQuery(header.trim().replace(/^\?/, ''), 'http.if-none-exist');
  if (!first) return refuse('ERR_BAD_VALUE', 'If-None-Exist is empty. Send identifier=system|value.');
  if (first.name !== 'identifier' || others.length > 0) {
    return refuse('ERR_NOT_SUPPORTED', 'If-None-Exist is supported for one identifier only. Send identifier=system|value.');
  }
  if (!/^[^|,]+\|[^|,]+$/.test(first.value))
    return refuse('ERR_BAD_VALUE', 'If-None-Exist must give system and value. Send identifier=system|value.');
  return `identifier=${first.value}`;
}

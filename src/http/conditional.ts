/**
 * Conditional requests: If-Match, If-None-Match, If-None-Exist (HL7 FHIR R4 http sections
 * 3.1.0.5, 3.1.0.7 and 3.1.0.8.1).
 */
import { ServiceError } from '../errors.ts';
import { parseIfNoneExist } from '../ingest/if-none-exist.ts';
import type { Token } from '../ports.ts';
import { parseVersionTag } from '../version-tag.ts';
import type { Request } from './serving.ts';

/** The version that a change is based on; undefined when the header is absent. */
export function ifMatchVersion(req: Request): number | undefined {
  const header = req.get('if-match');
  if (header === undefined) return undefined;
  const version = parseVersionTag(header.trim());
  if (version === undefined) {
    throw new ServiceError('ERR_BAD_VALUE', 'If-Match must name one version as W/"3". Send the ETag of the version that you read.', {
      expression: 'http.if-match',
    });
  }
  return version;
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
  return header.split(',').some((tag) => tag.trim() === '*' || parseVersionTag(tag.trim()) === version);
}

/**
 * The identifier that must not be there yet, for a conditional create.
 *
 * @throws ServiceError ERR_BAD_VALUE for any other condition than one identifier
 */
export function ifNoneExist(req: Request): Required<Token> | undefined {
  const header = req.get('if-none-exist');
  return header === undefined ? undefined : parseIfNoneExist(header);
}

/**
 * Ids in paths and bodies (HL7 FHIR R4, Datatypes, id: 1 to 64 letters, digits, `-` and `.`).
 */
import { isJsonObject, type JsonValue } from '../core/json.ts';
import { ServiceError } from '../errors.ts';
import type { Request } from './serving.ts';

const ID = /^[A-Za-z0-9.-]{1,64}$/;

/** The `:id` of the route. @throws ServiceError ERR_NOT_FOUND when no resource can have it */
export function idOf(req: Request): string {
  const id = req.params['id'];
  if (typeof id !== 'string' || !ID.test(id)) throw notFound();
  return id;
}

/** The `:version` of the route. */
export function versionOf(req: Request): number {
  const version = req.params['version'];
  if (typeof version !== 'string' || !/^[1-9]\d{0,8}$/.test(version)) throw notFound();
  return Number(version);
}

export function notFound(): ServiceError {
  return new ServiceError('ERR_NOT_FOUND', 'There is no such resource here. Look at the id.');
}

/** R4 http 3.1.0.4: the id in the body of an update must be the one in the URL. */
export function checkBodyId(body: JsonValue, id: string): void {
  if (!isJsonObject(body) || body['id'] === id) return;
  const type =
    typeof body['resourceType'] === 'string' && /^[A-Z][A-Za-z]{1,40}$/.test(body['resourceType']) ? body['resourceType'] : 'Resource';
  throw new ServiceError('ERR_BAD_VALUE', 'The id in the body must be the id in the URL. Make them the same.', {
    expression: `${type}.id`,
  });
}

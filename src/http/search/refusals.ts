/** Refusals of search parameters: they name the parameter and never repeat its value. */
import { ServiceError } from '../../errors.ts';

/** @param message goes on after "The search parameter date …" */
export function badParameter(name: string, message: string): ServiceError {
  return refusal('ERR_BAD_VALUE', name, message);
}

export function unservedParameter(name: string, message: string): ServiceError {
  return refusal('ERR_NOT_SUPPORTED', name, message);
}

function refusal(code: 'ERR_BAD_VALUE' | 'ERR_NOT_SUPPORTED', name: string, message: string): ServiceError {
  // a caller may put anything where a name belongs, and answers repeat no such thing
  const isSane = /^[A-Za-z_][A-Za-z0-9_.:-]{0,63}$/.test(name);
  return new ServiceError(code, `The search parameter ${isSane ? name : 'with the unusual name'} ${message}`, {
    expression: isSane ? `http.${name}` : 'http.query',
  });
}

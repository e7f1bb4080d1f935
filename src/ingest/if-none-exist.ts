/** The condition of a conditional create, from a header or from `Bundle.entry.request`. */
import { ServiceError } from '../errors.ts';
import type { Token } from '../ports.ts';

/**
 * `identifier=system|value`, the one condition that is served: the search part of a URL, percent
 * encoded once (HL7 FHIR R4 4.0.1, RESTful API, conditional create).
 *
 * Throws ServiceError ERR_BAD_VALUE for any other condition, several identifiers included.
 *
 * @param expression where the condition stands
 */
export function parseIfNoneExist(condition: string, expression = 'http.If-None-Exist'): Required<Token> {
  const query = condition.startsWith('?') ? condition.slice(1) : condition;
  const parameters = isEscapedRight(query) ? [...new URLSearchParams(query)] : [];
  const [name, token] = parameters[0] ?? [];
  const separator = token?.indexOf('|') ?? -1;
  if (
    parameters.length !== 1 ||
    name !== 'identifier' ||
    token === undefined ||
    separator < 1 ||
    separator === token.length - 1 ||
    /(?<!\\),/.test(token)
  ) {
    throw new ServiceError('ERR_BAD_VALUE', 'The condition must be identifier=system|value, with both parts.', { expression });
  }
  return { system: token.slice(0, separator), value: token.slice(separator + 1) };
}

/** URLSearchParams would take a broken escape as it stands, and bytes that are no UTF-8 as U+FFFD. */
function isEscapedRight(query: string): boolean {
  try {
    decodeURIComponent(query);
    return true;
  } catch {
    return false;
  }
}

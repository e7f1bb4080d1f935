/**
 * Query strings as ordered names and values. Stricter than URLSearchParams, which leaves a broken
 * percent-encoding as it is and puts U+FFFD in place of invalid UTF-8.
 */
import { ServiceError } from '../../errors.ts';

export interface QueryParameter {
  readonly name: string;
  readonly value: string;
}

/** @throws ServiceError ERR_BAD_VALUE for a percent-encoding that is no UTF-8 text */
export function parseQuery(raw: string, expression = 'http.query'): QueryParameter[] {
  return raw
    .split('&')
    .filter((pair) => pair !== '')
    .map((pair) => {
      const at = pair.indexOf('=');
      const [name, value] = at < 0 ? [pair, ''] : [pair.slice(0, at), pair.slice(at + 1)];
      return { name: decodePercent(name, expression), value: decodePercent(value, expression) };
    });
}

/** A blank may be written as a plus sign. @throws ServiceError ERR_BAD_VALUE */
export function decodePercent(text: string, expression: string): string {
  try {
    return decodeURIComponent(text.replaceAll('+', ' '));
  } catch {
    throw new ServiceError('ERR_BAD_VALUE', 'A percent-encoding is broken or is no UTF-8. Encode the text again.', { expression });
  }
}

/** The part of a URL behind the question mark. */
export function queryOf(url: string): string {
  const at = url.indexOf('?');
  return at < 0 ? '' : url.slice(at + 1);
}

/** For links: percent-encoded, but for the characters that FHIR values are full of. */
export function writeQuery(parameters: readonly QueryParameter[]): string {
  const encode = (text: string) => encodeURIComponent(text).replace(/%(2C|2F|3A|24)/g, (code) => decodeURIComponent(code));
  return parameters.map(({ name, value }) => `${encode(name)}=${encode(value)}`).join('&');
}

/**
 * What a token endpoint's answer means: a token, or why there is none, in words for an operator.
 *
 * Nothing that the endpoint wrote is repeated but an error code of the published list.
 */
import { isLosslessNumber } from 'lossless-json';
import { isJsonObject, parseExactJson, type JsonObject } from '../core/json.ts';

export interface AccessToken {
  /** Secret. */
  readonly token: string;
  readonly lifeSeconds: number;
  /** As the endpoint wrote it; absent when it granted what was asked. */
  readonly scope?: string;
}

export interface NoToken {
  readonly ok: false;
  /** "the token endpoint …" */
  readonly cause: string;
  readonly status?: number;
  /** The header as the endpoint wrote it. */
  readonly retryAfter?: string;
}

export type TokenAnswer = { readonly ok: true; readonly token: AccessToken } | NoToken;

/** RFC 6749 section 5.1 only recommends `expires_in`: without it the token is used for a minute (a choice of ours). */
const LIFE_WHEN_UNSAID_SECONDS = 60;

/** RFC 6750 section 2.1, `b64token`; the length is a bound of ours. */
const TOKEN = /^[A-Za-z0-9._~+/-]{1,16384}=*$/;

/** RFC 6749 section 5.2. */
const ERRORS: Readonly<Record<string, string>> = {
  invalid_client: 'it does not accept our client id or the signature of our key (invalid_client)',
  invalid_request: 'it finds our request malformed (invalid_request)',
  invalid_grant: 'it finds our assertion invalid or expired (invalid_grant)',
  unauthorized_client: 'our client may not ask for tokens this way (unauthorized_client)',
  unsupported_grant_type: 'it knows no client credentials (unsupported_grant_type)',
  invalid_scope: 'it does not grant the scopes of STEELYARD_EHR_SCOPE (invalid_scope)',
};

/**
 * @param text the body; undefined when it was too long, broke off or is not UTF-8
 * @param retryAfter the header, when there is one
 */
export function readTokenAnswer(status: number, text: string | undefined, retryAfter?: string): TokenAnswer {
  const failed = (cause: string): TokenAnswer => ({ ok: false, cause, status, ...(retryAfter !== undefined && { retryAfter }) });
  if (status === 200) {
    const token = tokenIn(objectIn(text));
    return token === undefined ? failed('the token endpoint answers 200 with something that is no bearer token') : { ok: true, token };
  }
  if (status >= 300 && status < 400) return failed(`the token endpoint redirects, which is never followed (status ${status})`);
  if (status === 429 || status === 503) return failed(`the token endpoint asks to be tried later (status ${status})`);
  const error = objectIn(text)?.['error'];
  const meaning = typeof error === 'string' && Object.hasOwn(ERRORS, error) ? ERRORS[error] : undefined;
  return failed(
    meaning === undefined
      ? `the token endpoint answers with status ${status}`
      : `the token endpoint refuses: ${meaning} (status ${status})`,
  );
}

function objectIn(text: string | undefined): JsonObject | undefined {
  if (text === undefined) return undefined;
  const parsed = parseExactJson(text);
  return parsed.ok && isJsonObject(parsed.value) ? parsed.value : undefined;
}

function tokenIn(answer: JsonObject | undefined): AccessToken | undefined {
  if (answer === undefined) return undefined;
  const { access_token: token, token_type: type, scope } = answer;
  if (typeof token !== 'string' || !TOKEN.test(token) || typeof type !== 'string' || type.toLowerCase() !== 'bearer') return undefined;
  return { token, lifeSeconds: lifeOf(answer), ...(typeof scope === 'string' && { scope }) };
}

/** Some endpoints write the number as a text. */
function lifeOf({ expires_in: life }: JsonObject): number {
  const digits = isLosslessNumber(life) ? life.value : life;
  return typeof digits === 'string' && /^\d{1,9}$/.test(digits) ? Number(digits) : LIFE_WHEN_UNSAID_SECONDS;
}

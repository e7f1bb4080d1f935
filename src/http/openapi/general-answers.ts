/**
 * What routes answer whatever they serve: the refusals that stand before a handler, by status, from
 * the one table of errors.
 */
import { ERRORS } from '../../errors.ts';
import type { AnswerHeader } from './description.ts';

/** What a route shows of itself. */
export interface RouteTraits {
  /** It needs a token, where tokens are asked for. */
  readonly isGuarded: boolean;
  readonly takesBody: boolean;
  /** Below `/fhir`, where formats are negotiated. */
  readonly isFhir: boolean;
  /** Behind the limits of rate and load; pages of operations are not. */
  readonly isLimited: boolean;
}

/** By first lines and framing, or our own fault: anything may meet these. */
const ALWAYS = [400, 408, 414, 417, 431, 500];

export function generalStatusesOf({ isGuarded, takesBody, isFhir, isLimited }: RouteTraits): number[] {
  return [
    ...ALWAYS,
    ...(isGuarded ? [401, 403, 503] : []),
    ...(isFhir ? [406] : []),
    ...(takesBody ? [413, 415] : []),
    ...(isLimited ? [429, 503] : []),
  ];
}

const HEADERS: Readonly<Record<number, readonly AnswerHeader[]>> = {
  401: ['WWW-Authenticate'],
  403: ['WWW-Authenticate'],
  405: ['Allow'],
  429: ['Retry-After'],
  503: ['Retry-After'],
};

/** Titles of the errors that have this status, and the headers that come along. */
export function generalAnswer(status: number): { readonly means: string; readonly headers: readonly AnswerHeader[] } {
  const titles = Object.values(ERRORS).flatMap((row) => (row.status === status ? [row.title] : []));
  return { means: `${titles.join('; ')}.`, headers: HEADERS[status] ?? [] };
}

/** Every status that the table of errors has. */
export const ERROR_STATUSES: readonly number[] = [...new Set<number>(Object.values(ERRORS).map(({ status }) => status))];

/**
 * A query string as an Observation search. Pure: who an identifier belongs to is asked later.
 */
import type { ObservationSearch } from '../../ports.ts';
import { OBSERVATION_PARAMETERS, type Criteria } from './observation-parameters.ts';
import type { QueryParameter } from './query.ts';
import { badParameter, unservedParameter } from './refusals.ts';
import { alternatives } from './values.ts';

export const DEFAULT_COUNT = 100;
export const LARGEST_COUNT = 1000;
/** The one `_include` that is served. */
export const INCLUDE_INPUTS = 'Observation:derived-from';

export interface ObservationQuery {
  readonly criteria: Criteria;
  readonly includeHeld: boolean;
  readonly sort: ObservationSearch['sort'];
  readonly count: number;
  readonly countOnly: boolean;
  readonly withTotal: boolean;
  readonly withInputs: boolean;
  readonly cursor?: string;
  /** The parameters that were understood, as used, for the self link; without the cursor. */
  readonly used: readonly QueryParameter[];
}

interface Draft {
  sort: ObservationSearch['sort'];
  count: number;
  countOnly: boolean;
  withTotal: boolean;
  withInputs: boolean;
  cursor?: string;
}

/**
 * @param lenient unknown parameters are left out instead of refused
 * @throws ServiceError ERR_NOT_SUPPORTED (unknown parameter, modifier, repetition), ERR_BAD_VALUE
 */
export function parseObservationQuery(
  parameters: readonly QueryParameter[],
  { lenient, baseUrl }: { readonly lenient: boolean; readonly baseUrl: string },
): ObservationQuery {
  const criteria: Criteria = { dates: [], lastUpdated: [] };
  const draft: Draft = { sort: [], count: DEFAULT_COUNT, countOnly: false, withTotal: false, withInputs: false };
  const seen = new Set<string>();
  const used: QueryParameter[] = [];

  for (const { name, value } of parameters) {
    const row = Object.hasOwn(OBSERVATION_PARAMETERS, name) ? OBSERVATION_PARAMETERS[name] : undefined;
    const result = Object.hasOwn(RESULT_PARAMETERS, name) ? RESULT_PARAMETERS[name] : undefined;
    if (!row && !result) {
      refuseUnknown(name, lenient);
      continue;
    }
    if (value === '') throw badParameter(name, 'has no value.');
    if (seen.has(name) && row?.repeats !== true) {
      throw unservedParameter(name, 'may be given once. Put a comma between values any of which may match.');
    }
    seen.add(name);
    row?.read(criteria, value, { name, baseUrl });
    const usedValue = result?.(draft, value) ?? value;
    if (name !== '_cursor') used.push({ name, value: usedValue });
  }
  const includeHeld = criteria.tags !== undefined || (criteria.statuses?.includes('preliminary') ?? false);
  return { criteria, includeHeld, used, ...draft };
}

function refuseUnknown(name: string, lenient: boolean): void {
  const base = name.split(/[:.]/, 1)[0] ?? '';
  // R4 Search 3.1.1.4.4: a modifier that is not supported is refused, lenient or not
  if (name.includes(':') && (Object.hasOwn(OBSERVATION_PARAMETERS, base) || Object.hasOwn(RESULT_PARAMETERS, base))) {
    throw unservedParameter(name, 'is not served with this modifier.');
  }
  if (lenient) return;
  throw unservedParameter(name, 'is not served. Leave it out, or send Prefer: handling=lenient.');
}

/** Parameters about the result. Each returns the value that was really used when it differs. */
const RESULT_PARAMETERS: Readonly<Record<string, (draft: Draft, value: string) => string | undefined>> = {
  _count: (draft, value) => {
    draft.count = parseCount(value);
    draft.countOnly ||= draft.count === 0;
    return String(draft.count);
  },
  _sort: (draft, value) => {
    draft.sort = alternatives('_sort', value).map((text) => {
      const by = text.replace(/^-/, '');
      if (by !== 'date' && by !== '_lastUpdated' && by !== '_id') {
        throw unservedParameter('_sort', 'sorts by date, _lastUpdated or _id, with a minus before it for the latest first.');
      }
      return { by, descending: text.startsWith('-') };
    });
    return undefined;
  },
  _include: (draft, value) => {
    if (value !== INCLUDE_INPUTS) throw unservedParameter('_include', `is served as ${INCLUDE_INPUTS} only.`);
    draft.withInputs = true;
    return undefined;
  },
  _summary: (draft, value) => {
    if (value !== 'count' && value !== 'false') throw unservedParameter('_summary', 'is served as count only.');
    draft.countOnly ||= value === 'count';
    return undefined;
  },
  _total: (draft, value) => {
    if (value !== 'none' && value !== 'accurate' && value !== 'estimate') {
      throw badParameter('_total', 'must be none, accurate or estimate.');
    }
    draft.withTotal = value !== 'none';
    return undefined;
  },
  _cursor: (draft, value) => {
    draft.cursor = parseCursor(value);
    return undefined;
  },
  _format: () => undefined,
};

/** A page size; more than the largest is cut down, as R4 lets a server do. */
export function parseCount(value: string): number {
  if (!/^\d{1,15}$/.test(value)) throw badParameter('_count', 'must be a whole number, zero or more.');
  return Math.min(Number(value), LARGEST_COUNT);
}

export function parseCursor(value: string): string {
  if (!/^[A-Za-z0-9._~=-]{1,2000}$/.test(value))
    throw badParameter('_cursor', 'is not one that this search gave. Start again at the first page.');
  return value;
}

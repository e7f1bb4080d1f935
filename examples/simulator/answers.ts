/** What the answers of the service mean to a gateway, read from the wire alone. */
import { isJsonObject, type JsonObject } from '../../src/core/json.ts';
import { OURS } from '../../src/core/terminology.ts';

export type Verdict = 'accepted' | 'held' | 'refused' | 'resent' | 'corrected';

export interface Remark {
  readonly rule: string;
  readonly severity: string;
  /** What the rule did: refuse, hold, warn or inform. */
  readonly outcome: string;
  readonly sentence: string;
}

/** Undefined for a status that is no verdict on a reading. */
export function verdictOf(status: number, isCorrection: boolean): Verdict | undefined {
  if (status === 200) return isCorrection ? 'corrected' : 'resent';
  if (status === 201) return 'accepted';
  if (status === 202) return 'held';
  return [400, 404, 409, 412, 422].includes(status) ? 'refused' : undefined;
}

/** The rules that refused or held, each once. */
export function decidingRules(remarks: readonly Remark[]): readonly string[] {
  return [...new Set(remarks.filter(({ outcome }) => outcome === 'refuse' || outcome === 'hold').map(({ rule }) => rule))];
}

/** The issues of an OperationOutcome; none of anything else. */
export function remarksIn(body: JsonObject | undefined): Remark[] {
  return objectsIn(body?.['issue']).map((issue) => {
    const details = isJsonObject(issue['details']) ? issue['details'] : {};
    const rule = objectsIn(details['coding']).find(({ system }) => system === OURS.ruleSystem)?.['code'];
    const outcome = objectsIn(issue['extension']).find(({ url }) => url === OURS.ruleOutcomeExtension)?.['valueCode'];
    return { rule: text(rule), outcome: text(outcome), severity: text(issue['severity']), sentence: text(issue['diagnostics']) };
  });
}

/** Id and version of the stored Observation that a Location names. */
export function storedAt(location: string): { readonly id: string; readonly version: string } | undefined {
  const [, id, version] = /(?:^|\/)Observation\/([^/]+)\/_history\/([^/]+)$/.exec(location) ?? [];
  return id === undefined || version === undefined ? undefined : { id, version };
}

export function objectsIn(value: unknown): JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}

function text(value: unknown): string {
  return typeof value === 'string' ? value : '';
}

/**
 * Rows of examples for one rule: what it lets pass and what it finds, each judged as a whole
 * Observation by `conformObservation` and `evaluate`, so that a row also shows that nothing else
 * refuses or holds it for the same cause.
 */
import { describe, expect, it } from 'vitest';
import { conformObservation } from '../../../src/core/conform.ts';
import { evaluate, type Evaluation } from '../../../src/core/evaluate.ts';
import { explainFinding, type Finding, type Outcome } from '../../../src/core/finding.ts';
import type { JsonValue } from '../../../src/core/json.ts';
import type { ExactObservation } from '../../../src/core/observation.ts';
import type { Context } from '../../../src/core/reading.ts';
import type { Rule } from '../../../src/core/rules/rule.ts';
import { context, deepFreeze } from '../../measurements.ts';
import { arrived } from '../../arrived.ts';

interface Row {
  /** What the row shows; the test's name. */
  readonly title: string;
  readonly observation: ExactObservation;
  readonly context?: Partial<Context>;
  /** Other rules that refuse or hold the same Observation, each with the reason why that is another cause. */
  readonly also?: Readonly<Record<string, string>>;
}

export type Accept = Row;

export interface Reject extends Row {
  /** The whole sentence. */
  readonly message: string;
  /** Where it differs from the rule's usual ones. */
  readonly expression?: string;
  readonly outcome?: Outcome;
}

export interface RuleRows {
  /** What every finding of the rule says unless its row says otherwise. */
  readonly as: { readonly outcome: Outcome; readonly code: Rule['code']; readonly expression: string };
  readonly accepts: readonly Accept[];
  readonly rejects: readonly Reject[];
}

/** What is wrong with the rows themselves, in words. */
export function problemsOf(rule: Rule, { accepts, rejects }: RuleRows): string[] {
  const rows = [...accepts, ...rejects];
  const same = (key: (row: Row) => string): boolean => new Set(rows.map(key)).size < rows.length;
  return [
    ...(rule.check || rule.among ? [] : ['the rule has no check']),
    ...(rule.source.trim() === '' ? ['the rule names no source'] : []),
    ...(accepts.length === 0 ? ['there is no row that it lets pass'] : []),
    ...(rejects.length === 0 ? ['there is no row that it finds'] : []),
    ...(same(({ title }) => title) ? ['two rows have one title'] : []),
    ...(same((row) => arrived([row.observation, row.context ?? {}].map(comparable)).text) ? ['two rows are the same'] : []),
    ...(rejects.some(({ message }) => /\{\w+\}/.test(message)) ? ['a message has a placeholder that is not filled'] : []),
  ];
}

/** Bigints as texts, so that contexts can be compared. */
function comparable(value: unknown): JsonValue {
  if (typeof value === 'bigint') return String(value);
  if (Array.isArray(value)) return value.map(comparable);
  if (value !== null && typeof value === 'object' && !('isLosslessNumber' in value)) {
    return Object.fromEntries(Object.entries(value).map(([key, item]) => [key, comparable(item)]));
  }
  return value as JsonValue;
}

export function ruleTester(rule: Rule, rows: RuleRows): void {
  describe(rule.id, () => {
    it('has rows that show something', () => {
      expect(problemsOf(rule, rows)).toEqual([]);
    });

    it.each(rows.accepts.map((row) => [row.title, row] as const))('lets pass: %s', (_title, row) => {
      const { findings } = judge(row);
      expect(findings.map(({ rule: found }) => found.id)).not.toContain(rule.id);
      expect(worrying(findings)).toEqual(Object.keys(row.also ?? {}).sort());
    });

    it.each(rows.rejects.map((row) => [row.title, row] as const))('finds: %s', (_title, row) => {
      const { findings } = judge(row);
      const found = findings.filter((item) => item.rule.id === rule.id);
      const outcome = row.outcome ?? rows.as.outcome;
      expect(found.map((item) => ({ message: explainFinding(item), outcome: item.outcome, expression: item.expression }))).toEqual([
        { message: row.message, outcome, expression: row.expression ?? rows.as.expression },
      ]);
      expect(rule.code).toBe(rows.as.code);
      const own = outcome === 'refuse' || outcome === 'hold' ? [rule.id] : [];
      expect(worrying(findings)).toEqual([...own, ...Object.keys(row.also ?? {})].sort());
    });
  });
}

function judge({ observation, context: changes }: Row): Evaluation {
  const conformed = conformObservation(arrived(observation).tree);
  if (!conformed.ok) throw new Error(`the row is no FHIR: ${conformed.findings.map(explainFinding).join(' ')}`);
  return evaluate(deepFreeze(conformed.resource), deepFreeze(context(changes)));
}

function worrying(findings: readonly Finding[]): string[] {
  return findings
    .filter(({ outcome }) => outcome === 'refuse' || outcome === 'hold')
    .map(({ rule }) => rule.id)
    .sort();
}

/** The alert rules as they are shipped. */
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { parse } from 'yaml';

export const ROOT = join(import.meta.dirname, '..', '..');

export interface AlertRule {
  readonly alert: string;
  readonly expr: string;
  readonly for?: string;
  readonly labels: { readonly severity: string };
  readonly annotations: { readonly summary: string; readonly runbook: string };
}

interface RuleFile {
  readonly groups: readonly { readonly name: string; readonly interval: string; readonly rules: readonly AlertRule[] }[];
}

export const RULE_FILE = parse(readFileSync(join(ROOT, 'ops/alerts.rules.yml'), 'utf8')) as RuleFile;
export const ALERTS: readonly AlertRule[] = RULE_FILE.groups.flatMap(({ rules }) => rules);

/** Throws when no rule has the name. */
export function ruleOf(alert: string): AlertRule {
  const rule = ALERTS.find((one) => one.alert === alert);
  if (rule === undefined) throw new RangeError(`there is no alert ${alert}`);
  return rule;
}

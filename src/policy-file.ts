/**
 * Reads a site's policy file and gives the effective policy its version.
 *
 * What may stand in the file, and what it means, is `core/policy.ts`'s business.
 */
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { isLosslessNumber } from 'lossless-json';
import { ConfigError } from './config.ts';
import { isJsonObject, parseExactJson, type JsonObject, type JsonValue } from './core/json.ts';
import { DEFAULT_POLICY, DEFAULT_SETTINGS, overridePolicy, type Policy, type SettingName } from './core/policy.ts';

/**
 * The built-in policy, or the one that a JSON file of overrides makes of it.
 *
 * @param movableRules ids of the rules whose outcome a policy may choose
 * @throws ConfigError that names each wrong setting, or says why the file cannot be used
 */
export function loadPolicy(file: string | undefined, movableRules: ReadonlySet<string>): Policy {
  if (file === undefined) return withVersion(DEFAULT_POLICY, 'built-in');
  const read = readPolicyFile(file, movableRules);
  if (!read.ok) throw new ConfigError(read.problems.map((problem) => sentenceOf(problem, 'STEELYARD_POLICY')));
  return read.policy;
}

/** What is wrong with a policy file: with one of its names, or with the whole of it. Quotes no value. */
export interface FileProblem {
  /** As it stands in the file; absent when the file as a whole is at fault. */
  readonly name?: string;
  readonly problem: string;
}

export type PolicyFile =
  | { readonly ok: true; readonly policy: Policy }
  | { readonly ok: false; readonly isReadable: boolean; readonly problems: readonly [FileProblem, ...FileProblem[]] };

/** The policy that a file makes, or all that is wrong with it. */
export function readPolicyFile(file: string, movableRules: ReadonlySet<string>): PolicyFile {
  let text: string;
  try {
    text = readFileSync(file, 'utf8');
  } catch (cause) {
    const reason = (cause as NodeJS.ErrnoException).code ?? 'unknown reason';
    return { ok: false, isReadable: false, problems: [{ problem: `cannot be read (${reason}): ${file}` }] };
  }
  return policyIn(text, movableRules);
}

function policyIn(text: string, movableRules: ReadonlySet<string>): PolicyFile {
  const faulty = (...problems: [FileProblem, ...FileProblem[]]): PolicyFile => ({ ok: false, isReadable: true, problems });
  const parsed = parseExactJson(text);
  if (!parsed.ok) {
    const { reason, line, column } = parsed.problem;
    return faulty({ problem: `is not acceptable JSON: ${reason}, line ${line}, column ${column}` });
  }
  if (!isJsonObject(parsed.value)) return faulty({ problem: 'must hold one JSON object of names and values' });
  const result = overridePolicy(toOverrides(parsed.value), movableRules);
  if (result.ok) return { ok: true, policy: withVersion(result.policy, 'site') };
  const [first, ...others] = result.problems;
  return faulty(first, ...others);
}

/** `STEELYARD_POLICY: "time.oldestDys": no setting has this name.`, or of the file: `STEELYARD_POLICY is not …`. */
export function sentenceOf({ name, problem }: FileProblem, subject: string): string {
  const end = problem.endsWith('?') ? '' : '.';
  return name === undefined ? `${subject} ${problem}${end}` : `${subject}: ${JSON.stringify(name)}: ${problem}${end}`;
}

/** Overrides as JSON writes them, in the form that `overridePolicy` takes. */
export function toOverrides(written: JsonObject): Readonly<Record<string, unknown>> {
  return Object.fromEntries(Object.entries(written).map(([name, value]) => [name, toSetting(name, value)]));
}

/** Decimal settings stay texts with their written digits; whole numbers become numbers. */
function toSetting(name: string, value: JsonValue): unknown {
  if (!isLosslessNumber(value)) return value;
  const isWhole = Object.hasOwn(DEFAULT_SETTINGS, name) && typeof DEFAULT_SETTINGS[name as SettingName].value === 'number';
  return isWhole ? Number(value.value) : value.value;
}

/** The same effective policy has the same version on every machine, however its file is written. */
function withVersion(policy: Policy, origin: 'built-in' | 'site'): Policy {
  const { values, limits, changeLimits, outcomes } = policy;
  const digest = createHash('sha256').update(canonicalJson({ values, limits, changeLimits, outcomes })).digest('hex');
  return { ...policy, version: `${origin}-${digest.slice(0, 12)}` };
}

function canonicalJson(value: unknown): string {
  if (Array.isArray(value)) return `[${value.map(canonicalJson).join(',')}]`;
  if (value !== null && typeof value === 'object') {
    const members = Object.entries(value).sort(([a], [b]) => (a < b ? -1 : 1));
    return `{${members.map(([name, item]) => `${JSON.stringify(name)}:${canonicalJson(item)}`).join(',')}}`;
  }
  return JSON.stringify(value);
}

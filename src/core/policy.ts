/**
 * The policy: every threshold and switch that a judgement reads, each with its meaning and source.
 *
 * Decimal settings are texts of exact decimals. A site overrides settings by name with a JSON
 * file; names are the dotted paths of `DEFAULT_SETTINGS`. Limits are inclusive: a value equal
 * to a limit passes.
 */
import { AGE_BANDS, type AgeBand, type Limits } from './age-bands.ts';
import { CHANGE_LIMITS, type ChangeLimits } from './change-limits.ts';
import { parseDecimal } from './decimal.ts';
import type { Outcome } from './finding.ts';
import { DERIVE_SETTINGS } from './settings/derive.ts';
import { DEVICE_SETTINGS } from './settings/devices.ts';
import { MEASURING_SETTINGS } from './settings/measuring.ts';
import type { Setting, SettingRow } from './settings/row.ts';
import { SERIAL_SETTINGS } from './settings/serial.ts';
import type { Quantified } from './terminology.ts';
import { isTimeZone } from './time-of-day.ts';

export type { Setting };

const SETTINGS = { ...MEASURING_SETTINGS, ...SERIAL_SETTINGS, ...DEVICE_SETTINGS, ...DERIVE_SETTINGS } as const satisfies Record<
  string,
  SettingRow
>;

export type SettingName = keyof typeof SETTINGS;
type Widen<Value> = Value extends string ? string : Value extends number ? number : boolean;
export type SettingValues = { readonly [Name in SettingName]: Widen<(typeof SETTINGS)[Name]['value']> };

export const DEFAULT_SETTINGS: Readonly<Record<SettingName, SettingRow>> = SETTINGS;

/** Weight in kg, height in cm, BMI in kg/m2; for BMI "refuse" means that none is published. */
export type BandLimits = { readonly [Of in Quantified]: Limits };

export interface Policy {
  /** Hash of the content, given by the edge that loaded it; stamped on every decision. */
  readonly version: string;
  readonly values: SettingValues;
  readonly limits: Readonly<Record<AgeBand, BandLimits>>;
  /** How much a weight may change, in percent of the last one, by age band. */
  readonly changeLimits: Readonly<Record<AgeBand, ChangeLimits>>;
  /** Outcomes that the site has chosen for movable rules, by rule id; a rule that is off says nothing. */
  readonly outcomes: Readonly<Record<string, Outcome | 'off'>>;
}

export const DEFAULT_POLICY: Policy = {
  version: 'built-in',
  values: Object.fromEntries(Object.entries(SETTINGS).map(([name, { value }]) => [name, value])) as unknown as SettingValues,
  limits: Object.fromEntries(
    Object.entries(AGE_BANDS).map(([band, { weight, height, bmi }]) => [band, { weight, height, bmi }]),
  ) as Policy['limits'],
  changeLimits: CHANGE_LIMITS,
  outcomes: {},
};

export interface PolicyProblem {
  /** The name in the file. */
  readonly name: string;
  readonly problem: string;
}

export type PolicyResult =
  { readonly ok: true; readonly policy: Policy } | { readonly ok: false; readonly problems: readonly PolicyProblem[] };

const OUTCOMES: readonly string[] = ['refuse', 'hold', 'warn', 'inform', 'off'] satisfies (Outcome | 'off')[];

/**
 * The default policy with a site's overrides, or every problem of them at once.
 *
 * Names: those of the settings; `limits.{band}.{weight|height|bmi}.{refuse|hold}.{low|high}`,
 * in kg, cm and kg/m2; `limits.{band}.change.{within30Days|within365Days}.{gainPercent|lossPercent}`;
 * `rule.{rule id}` with one of refuse, hold, warn, inform, off. Decimals may be written as numbers or texts.
 *
 * @param movableRules ids of the rules whose outcome a policy may choose
 */
export function overridePolicy(overrides: Readonly<Record<string, unknown>>, movableRules: ReadonlySet<string>): PolicyResult {
  const problems: PolicyProblem[] = [];
  const values: Record<string, Setting> = { ...DEFAULT_POLICY.values };
  const limits = structuredClone(DEFAULT_POLICY.limits) as unknown as MutableLimits;
  const changeLimits = structuredClone(DEFAULT_POLICY.changeLimits) as unknown as MutableChangeLimits;
  const outcomes: Record<string, Outcome | 'off'> = {};

  for (const [name, value] of Object.entries(overrides)) {
    const problem = name.startsWith('rule.')
      ? setOutcome(outcomes, name.slice('rule.'.length), value, movableRules)
      : name.startsWith('limits.')
        ? setAnyLimit(limits, changeLimits, name.split('.').slice(1), value)
        : setValue(values, name, value);
    if (problem) problems.push({ name, problem });
  }
  for (const [band, ofBand] of Object.entries(limits)) {
    for (const [measured, { refuse, hold }] of Object.entries(ofBand)) {
      for (const [kind, pair] of Object.entries({ refuse, hold })) {
        if (pair && Number(pair[0]) >= Number(pair[1]))
          problems.push({ name: `limits.${band}.${measured}.${kind}`, problem: 'low must be below high' });
      }
    }
  }
  for (const [name, low] of Object.entries(values)) {
    const high = name.endsWith('.low') ? values[name.replace(/low$/, 'high')] : undefined;
    if (high !== undefined && Number(low) >= Number(high))
      problems.push({ name: name.replace(/\.low$/, ''), problem: 'low must be below high' });
  }
  if (problems.length > 0) return { ok: false, problems };
  return { ok: true, policy: { version: 'unversioned', values: values as unknown as SettingValues, limits, changeLimits, outcomes } };
}

type Direction = 'gainPercent' | 'lossPercent';
type Window = 'within30Days' | 'within365Days';
type MutableChangeLimits = Record<AgeBand, Record<Window, Record<Direction, string>> & { source: string }>;
type MutableLimits = Record<AgeBand, Record<Quantified, { refuse: [string, string]; hold?: [string, string] }>>;

function decimalText(value: unknown): string | undefined {
  const text = typeof value === 'number' ? String(value) : value;
  return typeof text === 'string' && parseDecimal(text) ? text : undefined;
}

function setValue(values: Record<string, Setting>, name: string, value: unknown): string | undefined {
  if (!Object.hasOwn(SETTINGS, name)) return 'no setting has this name';
  const row: SettingRow = SETTINGS[name as SettingName];
  if (row.choices) {
    if (!row.choices.includes(value as string)) return `must be one of ${row.choices.join(', ')}`;
    values[name] = value as string;
  } else if (row.kind === 'time-zone') {
    if (typeof value !== 'string' || !isTimeZone(value)) return 'must be as-written or an IANA time zone such as Europe/Oslo';
    values[name] = value;
  } else if (typeof row.value === 'string') {
    const text = decimalText(value);
    if (text === undefined || text.startsWith('-')) return 'must be a decimal number, zero or more';
    if (name.startsWith('precision.') && Number(text) === 0) return 'must be more than zero';
    values[name] = text;
  } else if (typeof row.value === 'number') {
    if (!Number.isSafeInteger(value) || (value as number) < 0) return 'must be a whole number, zero or more';
    values[name] = value as number;
  } else {
    if (typeof value !== 'boolean') return 'must be true or false';
    values[name] = value;
  }
  return undefined;
}

function setAnyLimit(
  limits: MutableLimits,
  changeLimits: MutableChangeLimits,
  path: readonly string[],
  value: unknown,
): string | undefined {
  return path[1] === 'change' ? setChangeLimit(changeLimits, path, value) : setLimit(limits, path, value);
}

function setChangeLimit(limits: MutableChangeLimits, path: readonly string[], value: unknown): string | undefined {
  const [band = '', , window = '', direction = '', ...rest] = path;
  const known =
    Object.hasOwn(limits, band) &&
    ['within30Days', 'within365Days'].includes(window) &&
    ['gainPercent', 'lossPercent'].includes(direction) &&
    rest.length === 0;
  if (!known) return 'no limit has this name';
  const text = decimalText(value);
  if (text === undefined || text.startsWith('-')) return 'must be a decimal number, zero or more';
  limits[band as AgeBand][window as Window][direction as Direction] = text;
  return undefined;
}

function setLimit(limits: MutableLimits, path: readonly string[], value: unknown): string | undefined {
  const [band = '', measured = '', kind = '', end = '', ...rest] = path;
  const known =
    Object.hasOwn(limits, band) &&
    ['weight', 'height', 'bmi'].includes(measured) &&
    ['refuse', 'hold'].includes(kind) &&
    ['low', 'high'].includes(end);
  if (!known || rest.length > 0) return 'no limit has this name';
  const text = decimalText(value);
  if (text === undefined || text.startsWith('-')) return 'must be a decimal number, zero or more';
  const target = limits[band as AgeBand][measured as Quantified];
  const pair = kind === 'refuse' ? target.refuse : (target.hold ??= [...target.refuse]);
  pair[end === 'low' ? 0 : 1] = text;
  return undefined;
}

function setOutcome(
  outcomes: Record<string, Outcome | 'off'>,
  ruleId: string,
  value: unknown,
  movable: ReadonlySet<string>,
): string | undefined {
  if (!movable.has(ruleId)) return 'no rule of this name can be moved by the policy';
  if (!OUTCOMES.includes(value as string)) return `must be one of ${OUTCOMES.join(', ')}`;
  outcomes[ruleId] = value as Outcome | 'off';
  return undefined;
}

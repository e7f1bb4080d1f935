/**
 * The policy: every threshold and switch that a judgement reads, each with its meaning and source.
 *
 * Decimal settings are texts of exact decimals. A site overrides settings by name with a JSON
 * file; names are the dotted paths of `DEFAULT_SETTINGS`. Limits are inclusive: a value equal
 * to a limit passes.
 */
import { AGE_BANDS, type AgeBand, type Limits } from './age-bands.ts';
import { CHANGE_LIMITS, type ChangeLimits } from './change-limits.ts';
import { compare, decimal, parseDecimal } from './decimal.ts';
import type { Outcome } from './finding.ts';
import { nearestName } from './nearest-name.ts';
import { CONDITION_SETTINGS } from './settings/conditions.ts';
import { DECISION_SETTINGS } from './settings/decisions.ts';
import { DERIVE_SETTINGS } from './settings/derive.ts';
import { DEVICE_SETTINGS } from './settings/devices.ts';
import { MEASURING_SETTINGS } from './settings/measuring.ts';
import type { Setting, SettingRow } from './settings/row.ts';
import { SERIAL_SETTINGS } from './settings/serial.ts';
import type { Quantified } from './terminology.ts';
import { isTimeZone } from './time-of-day.ts';

export type { Setting };

const SETTINGS = {
  ...MEASURING_SETTINGS,
  ...SERIAL_SETTINGS,
  ...DECISION_SETTINGS,
  ...DEVICE_SETTINGS,
  ...CONDITION_SETTINGS,
  ...DERIVE_SETTINGS,
} as const satisfies Record<string, SettingRow>;

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
  /** The name as it stands in the file, which has no other paths: it is one flat object. */
  readonly name: string;
  readonly problem: string;
}

export type PolicyResult =
  { readonly ok: true; readonly policy: Policy } | { readonly ok: false; readonly problems: readonly [PolicyProblem, ...PolicyProblem[]] };

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
    if (problem) problems.push({ name, problem: isUnknown(problem) ? problem + hintFor(name, value, movableRules) : problem });
  }
  problems.push(...turnedAround(overrides, values, limits));
  const [first, ...others] = problems;
  if (first) return { ok: false, problems: [first, ...others] };
  return { ok: true, policy: { version: 'unversioned', values: values as unknown as SettingValues, limits, changeLimits, outcomes } };
}

const UNKNOWN = {
  setting: 'no setting has this name',
  limit: 'no limit has this name',
  rule: 'no rule of this name can be moved by the policy',
} as const;

function isUnknown(problem: string): boolean {
  return Object.values<string>(UNKNOWN).includes(problem);
}

/** What somebody who wrote an unknown name may have meant. */
function hintFor(name: string, value: unknown, movableRules: ReadonlySet<string>): string {
  if (typeof value === 'object' && value !== null) return '; names are written in one piece, such as "limits.adult.weight.hold.high"';
  const near = nearestName(name, knownNames(movableRules));
  return near === undefined ? '' : `; did you mean ${JSON.stringify(near)}?`;
}

function knownNames(movableRules: ReadonlySet<string>): string[] {
  const pairs = (['weight', 'height', 'bmi'] as const).flatMap((of) =>
    ['refuse.low', 'refuse.high', 'hold.low', 'hold.high'].map((end) => `${of}.${end}`),
  );
  const changes = WINDOWS.flatMap((window) => DIRECTIONS.map((direction) => `change.${window}.${direction}`));
  const limits = Object.keys(AGE_BANDS).flatMap((band) => [...pairs, ...changes].map((limit) => `limits.${band}.${limit}`));
  return [...Object.keys(SETTINGS), ...limits, ...[...movableRules].map((id) => `rule.${id}`)];
}

/** Spans whose low end is not below the high one, each under the end that the file sets. */
function turnedAround(
  overrides: Readonly<Record<string, unknown>>,
  values: Readonly<Record<string, Setting>>,
  limits: MutableLimits,
): PolicyProblem[] {
  const ofLimits = Object.entries(limits).flatMap(([band, ofBand]) =>
    Object.entries(ofBand).flatMap(([measured, { refuse, hold }]) =>
      Object.entries({ refuse, ...(hold && { hold }) }).map(([kind, [low, high]]) => ({
        at: `limits.${band}.${measured}.${kind}`,
        low,
        high,
      })),
    ),
  );
  const ofSettings = Object.entries(values).flatMap(([name, low]) => {
    const at = /^(.*)\.low$/.exec(name)?.[1];
    const high = at === undefined ? undefined : values[`${at}.high`];
    return at === undefined || high === undefined ? [] : [{ at, low: String(low), high: String(high) }];
  });
  return [...ofLimits, ...ofSettings]
    .filter(({ low, high }) => Number(low) >= Number(high))
    .map(({ at, low, high }) =>
      Object.hasOwn(overrides, `${at}.low`)
        ? { name: `${at}.low`, problem: `must be below ${at}.high, which is ${high}` }
        : { name: `${at}.high`, problem: `must be above ${at}.low, which is ${low}` },
    );
}

const WINDOWS = ['within30Days', 'within365Days'] as const;
const DIRECTIONS = ['gainPercent', 'lossPercent'] as const;
type Direction = (typeof DIRECTIONS)[number];
type Window = (typeof WINDOWS)[number];
type MutableChangeLimits = Record<AgeBand, Record<Window, Record<Direction, string>> & { source: string }>;
type MutableLimits = Record<AgeBand, Record<Quantified, { refuse: [string, string]; hold?: [string, string] }>>;

function decimalText(value: unknown): string | undefined {
  const text = typeof value === 'number' ? String(value) : value;
  return typeof text === 'string' && parseDecimal(text) ? text : undefined;
}

function setValue(values: Record<string, Setting>, name: string, value: unknown): string | undefined {
  if (!Object.hasOwn(SETTINGS, name)) return UNKNOWN.setting;
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
    if (row.least !== undefined && compare(decimal(text), decimal(row.least)) < 0) return `must be a decimal number, ${row.least} or more`;
    if (name.startsWith('precision.') && Number(text) === 0) return 'must be more than zero';
    values[name] = text;
  } else if (typeof row.value === 'number') {
    if (!Number.isSafeInteger(value) || (value as number) < 0) return 'must be a whole number, zero or more';
    if (row.most !== undefined && (value as number) > row.most) return `must be a whole number, ${row.most} at most`;
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
    (WINDOWS as readonly string[]).includes(window) &&
    (DIRECTIONS as readonly string[]).includes(direction) &&
    rest.length === 0;
  if (!known) return UNKNOWN.limit;
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
  if (!known || rest.length > 0) return UNKNOWN.limit;
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
  if (!movable.has(ruleId)) return UNKNOWN.rule;
  if (!OUTCOMES.includes(value as string)) return `must be one of ${OUTCOMES.join(', ')}`;
  outcomes[ruleId] = value as Outcome | 'off';
  return undefined;
}

/**
 * The policy: every threshold and switch that a judgement reads, each with its meaning and source.
 *
 * Decimal settings are texts of exact decimals. A site overrides settings by name with a JSON
 * file; names are the dotted paths of `DEFAULT_SETTINGS`. Limits are inclusive: a value equal
 * to a limit passes.
 */
import { AGE_BANDS, type AgeBand, type Limits } from './age-bands.ts';
import { parseDecimal } from './decimal.ts';
import type { Outcome } from './finding.ts';
import type { Quantified } from './terminology.ts';

export type Setting = string | number | boolean;

interface SettingRow<Value extends Setting = Setting> {
  readonly value: Value;
  readonly means: string;
  readonly source: string;
  /** For texts that are not decimals: the values that may be chosen. */
  readonly choices?: readonly string[];
}

const PRECISION = 'Service requirements, precision: 0.1 kg or 1/4 lb; 0.1 cm or 1/8 in';
const INFANT = 'US Maternal and Child Health Bureau, Accurately Weighing and Measuring: Technique, section 3 (0.01 kg or 1/2 oz)';
const CP = 'common practice, no source';

const SETTINGS = {
  metricOnly: {
    value: false,
    means: 'refuse pounds and inches',
    source: 'ISMP Targeted Medication Safety Best Practices, practice 3 (metric only)',
  },
  'precision.kg': { value: '0.1', means: 'step of a weight in kg', source: PRECISION },
  'precision.g': { value: '100', means: 'step of a weight in g', source: PRECISION },
  'precision.lb': { value: '0.25', means: 'step of a weight in [lb_av]', source: PRECISION },
  'precision.cm': { value: '0.1', means: 'step of a height in cm', source: PRECISION },
  'precision.in': { value: '0.125', means: 'step of a height in [in_i]', source: PRECISION },
  'precision.infant.kg': {
    value: '0.005',
    means: 'step of an infant weight in kg (under 24 months, or an infant scale)',
    source: `${INFANT}; 5 g displays: common practice`,
  },
  'precision.infant.g': { value: '1', means: 'step of an infant weight in g', source: CP },
  'precision.infant.scaleDivision': {
    value: '0.01',
    means: 'coarsest division in kg that an infant scale may have; readings of a coarser one are held',
    source: INFANT,
  },
  'precision.infant.lb': { value: '0.03125', means: 'step of an infant weight in [lb_av], 1/2 oz', source: INFANT },
  'time.futureToleranceMinutes': { value: 5, means: 'how far ahead of our clock a reading may be', source: CP },
  'time.oldestDays': { value: 30, means: 'a reading older than this is held', source: CP },
  'bmi.minimumAgeMonths': {
    value: 24,
    means: 'no BMI under this age',
    source: 'CDC, Child and Teen BMI: BMI is not calculated under 2 years',
  },
  'bmi.heightWindowDays.adult': {
    value: 365,
    means: 'how old a height may be for an adult (20 years and over, or age unknown)',
    source: "CMS RAI User's Manual, item K0200: new height when the last is over a year old",
  },
  'bmi.heightWindowDays.youth': { value: 90, means: 'how old a height may be from 2 to 19 years', source: CP },
  'bmi.laterHeightHours': {
    value: 24,
    means: 'a height taken at most this long after the weight serves when there is none before it',
    source: CP,
  },
  'bmi.hold.firstWeight.low': {
    value: '14',
    means: 'adult without an earlier weight: held below',
    source: 'NHANES 2017-2018, computed: catches 63 % of kilograms typed as pounds, held no adult',
  },
  'bmi.hold.firstWeight.high': {
    value: '60',
    means: 'adult without an earlier weight: held above',
    source: 'NHANES 2017-2018, computed: catches 59 % of pounds typed as kilograms, held 0.39 % of adults',
  },
  'bmi.hold.ageUnknown.low': { value: '12', means: 'age unknown, no earlier weight: held below', source: CP },
  'bmi.hold.ageUnknown.high': { value: '60', means: 'age unknown, no earlier weight: held above', source: CP },
  'bmi.hold.withPrior.low': { value: '12', means: 'adult whose earlier weight agrees: held below', source: CP },
  'bmi.hold.withPrior.high': { value: '80', means: 'adult whose earlier weight agrees: held above', source: 'Littman et al. 2012' },
  'bmi.priorAgreesPercent': {
    value: '10',
    means: 'an earlier weight agrees when it differs by at most this much',
    source: 'NHANES 2017-2018, computed',
  },
  'qualifiers.shape': {
    value: 'component',
    means: 'how method, device and clothing leave: as components, or as extensions for an EHR that validates R4 bodyweight to the letter',
    source: 'HL7 FHIR R4, StructureDefinition vitalsigns: component.value[x] is bound to unit codes',
    choices: ['component', 'extension'],
  },
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
  /** Outcomes that the site has chosen for movable rules, by rule id. */
  readonly outcomes: Readonly<Record<string, Outcome>>;
}

export const DEFAULT_POLICY: Policy = {
  version: 'built-in',
  values: Object.fromEntries(Object.entries(SETTINGS).map(([name, { value }]) => [name, value])) as unknown as SettingValues,
  limits: Object.fromEntries(
    Object.entries(AGE_BANDS).map(([band, { weight, height, bmi }]) => [band, { weight, height, bmi }]),
  ) as Policy['limits'],
  outcomes: {},
};

export interface PolicyProblem {
  /** The name in the file. */
  readonly name: string;
  readonly problem: string;
}

export type PolicyResult =
  { readonly ok: true; readonly policy: Policy } | { readonly ok: false; readonly problems: readonly PolicyProblem[] };

const OUTCOMES: readonly string[] = ['refuse', 'hold', 'warn', 'inform'] satisfies Outcome[];

/**
 * The default policy with a site's overrides, or every problem of them at once.
 *
 * Names: those of the settings; `limits.{band}.{weight|height|bmi}.{refuse|hold}.{low|high}`,
 * in kg, cm and kg/m2; `rule.{rule id}` with one of refuse, hold, warn, inform. Decimals may be written as
 * numbers or texts.
 *
 * @param movableRules ids of the rules whose outcome a policy may choose
 */
export function overridePolicy(overrides: Readonly<Record<string, unknown>>, movableRules: ReadonlySet<string>): PolicyResult {
  const problems: PolicyProblem[] = [];
  const values: Record<string, Setting> = { ...DEFAULT_POLICY.values };
  const limits = structuredClone(DEFAULT_POLICY.limits) as unknown as MutableLimits;
  const outcomes: Record<string, Outcome> = {};

  for (const [name, value] of Object.entries(overrides)) {
    const problem = name.startsWith('rule.')
      ? setOutcome(outcomes, name.slice('rule.'.length), value, movableRules)
      : name.startsWith('limits.')
        ? setLimit(limits, name.split('.').slice(1), value)
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
  return { ok: true, policy: { version: 'unversioned', values: values as unknown as SettingValues, limits, outcomes } };
}

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

function setOutcome(outcomes: Record<string, Outcome>, ruleId: string, value: unknown, movable: ReadonlySet<string>): string | undefined {
  if (!movable.has(ruleId)) return 'no rule of this name can be moved by the policy';
  if (!OUTCOMES.includes(value as string)) return `must be one of ${OUTCOMES.join(', ')}`;
  outcomes[ruleId] = value as Outcome;
  return undefined;
}

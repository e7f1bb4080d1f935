/**
 * What an accepted reading must be, said again without the code under test: plain numbers of
 * smallest steps, a short list of codes, and the schema that HL7 publishes, as another library
 * reads it.
 */
interface Coding {
  readonly system?: string;
  readonly code?: string;
}

interface AcceptedReading {
  readonly resourceType: string;
  readonly status?: string;
  readonly category?: readonly { readonly coding?: readonly Coding[] }[];
  readonly code?: { readonly coding?: readonly Coding[] };
  readonly subject?: { readonly reference?: string; readonly identifier?: { readonly system?: string; readonly value?: string } };
  readonly effectiveDateTime?: string;
  readonly effectivePeriod?: { readonly start?: string };
  readonly effectiveInstant?: string;
  readonly valueQuantity?: { readonly system?: string; readonly code?: string; readonly comparator?: string };
  readonly dataAbsentReason?: unknown;
  readonly component?: unknown;
  readonly hasMember?: unknown;
  readonly meta?: { readonly tag?: readonly Coding[] };
}

/** Smallest step and largest value by unit, both in millionths: service requirements for the steps, our outer limits for the values. */
const UNITS: Readonly<Record<string, { readonly step: bigint; readonly most: bigint; readonly of: 'weight' | 'height' | 'bmi' }>> = {
  kg: { step: 100_000n, most: 650_000_000n, of: 'weight' },
  g: { step: 100_000_000n, most: 650_000_000_000n, of: 'weight' },
  '[lb_av]': { step: 250_000n, most: 1_434_000_000n, of: 'weight' },
  cm: { step: 100_000n, most: 275_000_000n, of: 'height' },
  '[in_i]': { step: 125_000n, most: 108_300_000n, of: 'height' },
  'kg/m2': { step: 100_000n, most: 400_000_000n, of: 'bmi' },
};
const STATUSES = new Set(['final', 'amended', 'corrected', 'preliminary', 'registered', 'cancelled', 'entered-in-error', 'unknown']);

/** Millionths of a plain decimal text; undefined when it has more than six decimals that count. */
function millionths(digits: string): bigint | undefined {
  const [, sign = '', whole = '', fraction = ''] = /^(-?)(\d+)(?:\.(\d+))?$/.exec(digits) ?? [];
  if (whole === '' || !/^0*$/.test(fraction.slice(6))) return undefined;
  const value = BigInt(whole) * 1_000_000n + BigInt(fraction.slice(0, 6).padEnd(6, '0') || '0');
  return sign === '-' ? -value : value;
}

/**
 * What is wrong with an accepted reading, a few words each.
 *
 * @param text the stored resource, with the digits that it was sent with
 */
export function unsoundIn(text: string): string[] {
  const reading = JSON.parse(text) as AcceptedReading;
  const { reference, identifier } = reading.subject ?? {};
  const at = reading.effectiveDateTime ?? reading.effectiveInstant ?? reading.effectivePeriod?.start ?? '';
  const checks: readonly (readonly [boolean, string])[] = [
    [reading.resourceType === 'Observation', 'no Observation'],
    [STATUSES.has(reading.status ?? ''), 'status'],
    [reading.category?.some(({ coding }) => coding?.some(({ code }) => code === 'vital-signs')) === true, 'category'],
    [reading.code?.coding?.some(({ code }) => code !== undefined) === true, 'code'],
    [reference === undefined ? identifier?.value !== undefined : /^(?:Patient|Group)\/|^urn:|^http/.test(reference), 'subject'],
    [/^2\d{3}-\d{2}-\d{2}/.test(at), 'effective time'],
    [isValueSound(reading, text), 'value'],
  ];
  return checks.filter(([isSound]) => !isSound).map(([, what]) => what);
}

function isValueSound({ valueQuantity, dataAbsentReason, component, hasMember }: AcceptedReading, text: string): boolean {
  // HL7 FHIR R4, vital signs profile, vs-2: a value may be missing for a reason, or where parts are told instead
  if (valueQuantity === undefined) return [dataAbsentReason, component, hasMember].some((one) => one !== undefined);
  const { system, code = '', comparator } = valueQuantity;
  const unit = UNITS[code];
  // the digits from the text: JSON.parse has lost them
  const [, digits = ''] = /"valueQuantity":\{[^{}]*?"value":(-?[0-9.eE+-]+)/.exec(fromOwnValue(text)) ?? [];
  const value = millionths(digits);
  const isUcum = system === 'http://unitsofmeasure.org' && comparator === undefined;
  return isUcum && unit !== undefined && value !== undefined && value > 0n && value <= unit.most && value % unit.step === 0n;
}

/** The text from the reading's own value on; components may hold quantities too, under other rules. */
function fromOwnValue(text: string): string {
  let depth = 0;
  let isInText = false;
  for (let at = 0; at < text.length; at++) {
    const character = text[at];
    if (isInText && character === '\\') at += 1;
    else if (character === '"') {
      if (!isInText && depth === 1 && text.startsWith('"valueQuantity":', at)) return text.slice(at);
      isInText = !isInText;
    } else if (!isInText && (character === '{' || character === '[')) depth += 1;
    else if (!isInText && (character === '}' || character === ']')) depth -= 1;
  }
  return '';
}

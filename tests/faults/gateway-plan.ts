/**
 * What one gateway has to say of one invented person: a seeded story of weights and heights, most
 * of them fine, one doubtful, one wrongly read, with a correction, a withdrawal, a Bundle, the same
 * measurement under a second identifier, and about three of ten things said again.
 */
import type { Random } from '../../examples/simulator/random.ts';
import { SYSTEM } from '../../src/core/terminology.ts';
import type { SentReading } from './history.ts';

/** In everything by which a person could be recognised; must appear in no log, metric or error. */
export const MARKER = 'zzyzx';
export const GATEWAY_SYSTEM = 'urn:gateway:harbourlight-invented';

export type Step =
  | { readonly do: 'send'; readonly readings: readonly SentReading[]; readonly as: 'single' | 'transaction' | 'batch' }
  /** PUT of a reading that was sent before. */
  | { readonly do: 'correct'; readonly reading: SentReading };

const HOUR_MS = 3_600_000;
const UNITS = { weight: 'kg', height: 'cm' } as const;
const CODES = { weight: '29463-7', height: '8302-2' } as const;
const RESENT_PERCENT = 30;

/** @param person unique in the run, of FHIR's id alphabet */
export function storyOf(person: string, random: Random, nowMs: number): readonly Step[] {
  const key = `Patient/${MARKER}-${person}`;
  const startMs = nowMs - 20 * 24 * HOUR_MS + random.whole(0, 3_600) * 1_000;
  const base = random.whole(500, 1_100);
  let said = 0;
  const reading = (of: SentReading['of'], digits: string, hour: number, changes: Partial<SentReading> = {}): SentReading => ({
    identifier: `${MARKER}-${person}-${(said += 1)}`,
    of,
    digits,
    status: 'final',
    person: key,
    effective: new Date(startMs + hour * HOUR_MS).toISOString().replace(/\.\d+Z$/, 'Z'),
    ...changes,
  });
  const weight = (hour: number): SentReading => reading('weight', tenths(base + random.whole(-8, 8)), hour);
  const alone = (one: SentReading): Step => ({ do: 'send', readings: [one], as: 'single' });

  const height = reading('height', tenths(random.whole(1_550, 1_900)), 0);
  const [first, second, third] = [weight(6), weight(12), weight(24)];
  const doubtful = reading('weight', tenths(Math.round(base * 1.3)), 30);
  const halfRead = reading('weight', `${tenths(base)}5`, 36);
  const visit = [weight(48), reading('height', height.digits, 49)];
  const told: Step[] = [
    alone(height),
    ...[first, second].map(alone),
    alone(doubtful),
    alone(third),
    alone(halfRead),
    { do: 'correct', reading: { ...second, status: 'corrected', digits: tenths(base + random.whole(-5, 5)) } },
    { do: 'send', readings: visit, as: random.whole(0, 1) === 0 ? 'transaction' : 'batch' },
    // another gateway heard the same scale
    alone({ ...first, identifier: `${first.identifier}-again` }),
    { do: 'correct', reading: { ...third, status: 'entered-in-error' } },
    ...[weight(60), weight(66)].map(alone),
  ];
  return told.flatMap((step, index) => [step, ...saidAgain(told.slice(0, index + 1), random)]);
}

function saidAgain(told: readonly Step[], random: Random): readonly Step[] {
  if (random.whole(1, 100) > RESENT_PERCENT) return [];
  const sent = told.filter(({ do: what }) => what === 'send');
  return sent.slice(random.whole(0, sent.length - 1)).slice(0, 1);
}

function tenths(value: number): string {
  return `${Math.floor(value / 10)}.${value % 10}`;
}

/** The Observation as FHIR JSON; with an id for a PUT. */
export function observationText({ identifier, of, digits, status, person, effective }: SentReading, id?: string): string {
  const unit = UNITS[of];
  return (
    `{"resourceType":"Observation",${id === undefined ? '' : `"id":"${id}",`}"identifier":[{"system":"${GATEWAY_SYSTEM}","value":"${identifier}"}],` +
    `"status":"${status}","category":[{"coding":[{"system":"${SYSTEM.category}","code":"vital-signs"}]}],` +
    `"code":{"coding":[{"system":"${SYSTEM.loinc}","code":"${CODES[of]}"}]},` +
    `"subject":{"reference":"${person}","display":"${MARKER} of Harbourlight Ward, invented"},"effectiveDateTime":"${effective}",` +
    `"valueQuantity":{"value":${digits},"unit":"${unit}","system":"${SYSTEM.ucum}","code":"${unit}"}}`
  );
}

export function bundleText(type: 'transaction' | 'batch', readings: readonly SentReading[]): string {
  const entries = readings.map((one) => `{"resource":${observationText(one)},"request":{"method":"POST","url":"Observation"}}`);
  return `{"resourceType":"Bundle","type":"${type}","entry":[${entries.join(',')}]}`;
}

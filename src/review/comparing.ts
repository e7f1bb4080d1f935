/** A held reading beside the person's earlier ones: conditions in words, the rows of the table, the chart. */
import { CONDITIONS } from '../core/conditions.ts';
import { decimal, divideHalfUp, subtract, toText, type Decimal } from '../core/decimal.ts';
import type { UsableReading } from '../core/derive/bmi.ts';
import { METHODS } from '../core/methods.ts';
import type { Policy } from '../core/policy.ts';
import { inBaseUnit } from '../core/quantity.ts';
import type { Incomparable, Reading } from '../core/reading.ts';
import type { AcceptedSpan } from '../core/serial/accepted-span.ts';
import { signed } from '../core/serial/change.ts';
import { incomparable, INCOMPARABLE_WORDS } from '../core/serial/comparability.ts';
import { CLOTHING_ANSWERS, POSITION_ANSWERS } from '../core/terminology.ts';
import type { ChartData } from './chart.ts';
import { spanWords } from './arithmetic.ts';
import type { ConditionPair, EarlierReading } from './reading.ts';
import { amount, amountInFull, dayOf, inBase, measuredAt, plural, UNIT_WORDS, withUnit, type Zone } from './words.ts';

/** The names that readings do not hold: of scales, chairs, cushions and slings by their keys. */
export type DeviceNames = (key: string) => string;

const NOT_SAID = 'not said';

/** As many as fit a table that is read while somebody waits. Common practice, no source. */
export const MOST_EARLIER = 12;

interface Comparing {
  readonly policy: Policy;
  readonly zone: Zone;
  readonly nameOf: DeviceNames;
}

/** Newest first. @param earlier accepted before it, oldest first */
export function earlierRows(reading: UsableReading, earlier: readonly UsableReading[], comparing: Comparing): readonly EarlierReading[] {
  const { zone, nameOf } = comparing;
  return earlier
    .slice(-MOST_EARLIER)
    .reverse()
    .map((before) => ({
      when: measuredAt(before.effective, zone),
      amount: amountInFull(before.quantity, before.of),
      difference: differenceWords(reading, before),
      scale: before.device === undefined ? NOT_SAID : nameOf(before.device),
      method: methodWords(before),
      clothing: clothingWords(before),
      reasons: reasonsBetween(before, reading, comparing).map((reason) => INCOMPARABLE_WORDS[reason]),
    }));
}

/** Weights compare under conditions; two heights are told apart by the position only. */
function reasonsBetween(before: Reading, reading: Reading, { policy }: Pick<Comparing, 'policy'>): readonly Incomparable[] {
  if (reading.of === 'weight') return incomparable(before, reading, policy);
  return before.position === reading.position ? [] : ['other-method'];
}

function differenceWords(reading: UsableReading, before: UsableReading): string {
  const [now, then] = [reading.quantity, before.quantity];
  // two numbers of one unit stay in it
  if (now.unit === then.unit) return withUnit(signed(subtract(now.value, then.value)), UNIT_WORDS[now.unit]);
  const difference = subtract(inBaseUnit(now), inBaseUnit(then));
  return withUnit(signed(divideHalfUp(difference, decimal('1'), 1)), reading.of === 'weight' ? 'kg' : 'cm');
}

export function chartOf(
  reading: UsableReading,
  earlier: readonly UsableReading[],
  span: AcceptedSpan,
  comparing: Pick<Comparing, 'policy' | 'zone'>,
): ChartData {
  const shown = earlier.slice(-MOST_EARLIER);
  const compared = shown.map((before) => ({ before, compares: reasonsBetween(before, reading, comparing).length === 0 }));
  const comparable = compared.filter(({ compares }) => compares).length;
  const words = spanWords(span, reading.of);
  return {
    points: [
      ...compared.map(({ before, compares }) => ({
        atMs: before.effective.startMs,
        value: forDrawing(inBaseUnit(before.quantity)),
        kind: compares ? ('comparable' as const) : ('other' as const),
      })),
      { atMs: reading.effective.startMs, value: forDrawing(inBaseUnit(reading.quantity)), kind: 'held' as const },
    ],
    unit: reading.of === 'weight' ? 'kg' : 'cm',
    span: { ...(span.low && { low: forDrawing(span.low) }), ...(span.high && { high: forDrawing(span.high) }) },
    summary: `This reading, ${inBase(inBaseUnit(reading.quantity), reading.of)}, after ${plural(shown.length, 'earlier one')}, of which ${comparable} ${comparable === 1 ? 'compares' : 'compare'}${words === undefined ? '' : `; ${words} would be accepted`}.`,
    firstDay: dayOf((shown[0] ?? reading).effective.startMs, comparing.zone),
    lastDay: dayOf(reading.effective.startMs, comparing.zone),
  };
}

/** For a place on the screen only, where a tenth of a gram is no matter. */
function forDrawing(value: Decimal): number {
  return Number(toText(value));
}

export function conditionPairs(
  reading: Reading,
  before: Reading | undefined,
  { zone, nameOf }: Omit<Comparing, 'policy'>,
): readonly ConditionPair[] {
  const pair = (what: string, words: (of: Reading) => string): ConditionPair => {
    const [now, then] = [words(reading), before && words(before)];
    return { what, now, ...(then !== undefined && { before: then, differs: then !== now }) };
  };
  const common = [
    pair('Scale', ({ device }) => (device === undefined ? NOT_SAID : nameOf(device))),
    pair('Method', methodWords),
    pair('Position', ({ position }) => (position === undefined ? NOT_SAID : POSITION_ANSWERS[position].display)),
  ];
  const ofWeight = [
    pair('Clothing', clothingWords),
    pair('Chair, cushion, sling', (of) => tareWords(of, nameOf)),
    pair('Cast, prosthesis, fluid, bed', ({ conditions = [] }) =>
      conditions.length === 0 ? 'nothing said' : conditions.map((one) => CONDITIONS[one].display).join('; '),
    ),
  ];
  const { differs: _differs, ...when } = pair('Measured', ({ effective }) => measuredAt(effective, zone));
  return [...common, ...(reading.of === 'weight' ? ofWeight : []), when];
}

function methodWords({ method, basis }: Reading): string {
  if (method !== undefined) return METHODS[method].display;
  return basis === 'measured' ? NOT_SAID : `${basis}, not measured`;
}

function clothingWords({ clothing }: Reading): string {
  return clothing === undefined ? NOT_SAID : CLOTHING_ANSWERS[clothing].display;
}

function tareWords({ tareDevices = [], tare }: Reading, nameOf: DeviceNames): string {
  if (tareDevices.length > 0) return tareDevices.map(nameOf).join(', ');
  return tare === undefined ? 'none named' : `${amount(tare)}, not named`;
}

/**
 * The arithmetic behind a doubt, line by line, from what the rules saw of the reading. Nothing is
 * judged here: every number is one that a rule compared, or the span that it compared with.
 */
import { add, compare, decimal, divideHalfUp, isNegative, subtract, toShortestText, type Decimal } from '../core/decimal.ts';
import { inBaseUnit } from '../core/quantity.ts';
import type { AcceptedSpan } from '../core/serial/accepted-span.ts';
import { intervalWords, percentText, perDayText, signed } from '../core/serial/change.ts';
import type { Suspicion, View } from '../core/serial/view.ts';
import type { Measured } from '../core/terminology.ts';
import type { Figure } from './reading.ts';
import { amount, amountInFull, inBase, measuredAt, plainUnits, withUnit, type Zone } from './words.ts';

/** @param zone in whose time moments are written */
export function figuresOf(view: View, span: AcceptedSpan, zone: Zone): readonly Figure[] {
  const { reading, change, suspicion } = view;
  const { of, quantity } = reading;
  const figures: Figure[] = [{ what: 'This reading', amount: amountInFull(quantity, of), remark: measuredAt(reading.effective, zone) }];
  if (change) {
    const perDay = perDayText(change);
    const unit = of === 'weight' ? 'kg' : 'cm';
    figures.push(
      {
        what: `Last accepted ${of}`,
        amount: amountInFull(change.previous.quantity, of),
        remark: `${measuredAt(change.previous.effective, zone)}, ${intervalWords(change.intervalMs)} before`,
      },
      {
        what: 'Change',
        amount: withUnit(signedTo(change.difference), unit),
        remark: [`${percentText(change)} %`, ...(perDay === undefined ? [] : [`${perDay} ${unit} a day`])].join(', '),
      },
    );
  }
  const words = spanWords(span, of);
  if (words !== undefined) figures.push({ what: 'Would be accepted', amount: words, remark: basisWords(span) });
  if (suspicion) figures.push(...suspected(suspicion, view));
  for (const { height, weight, valueText } of [...view.bmi, ...view.impossibleBmi].slice(0, 2)) {
    const other = of === 'weight' ? height : weight;
    figures.push({
      what: 'BMI with it',
      amount: withUnit(valueText, 'kg/m2'),
      remark: `with a ${other.of} of ${amountInFull(other.quantity, other.of)}, ${measuredAt(other.effective, zone)}`,
    });
  }
  return figures;
}

/** `72.0 kg to 88.0 kg`; ends are rounded inwards, so that what is shown is accepted. Undefined when nothing limits it. */
export function spanWords({ low, high }: AcceptedSpan, of: Measured): string | undefined {
  const [from, to] = [low && inBase(inwards(low, 'up'), of), high && inBase(inwards(high, 'down'), of)];
  if (from !== undefined && to !== undefined) return `${from} to ${to}`;
  if (from !== undefined) return `${from} or more`;
  return to === undefined ? undefined : `${to} or less`;
}

/** The next tenth that lies within. */
function inwards(end: Decimal, direction: 'up' | 'down'): Decimal {
  const rounded = divideHalfUp(end, decimal('1'), 1);
  const difference = compare(rounded, end);
  if (direction === 'up') return difference < 0 ? add(rounded, decimal('0.1')) : rounded;
  return difference > 0 ? subtract(rounded, decimal('0.1')) : rounded;
}

function basisWords({ lowBy, highBy }: AcceptedSpan): string {
  const words = { age: 'usual at this age', change: 'as much as may change in that time' } as const;
  if (lowBy === undefined || highBy === undefined || lowBy === highBy) return words[lowBy ?? highBy ?? 'age'];
  return `from below ${words[lowBy]}, from above ${words[highBy]}`;
}

/** What the suspicion computed, where it computed something that stands in no line yet. */
function suspected({ kind, facts }: Suspicion, { reading, knownTares }: View): readonly Figure[] {
  switch (kind) {
    case 'tare-forgotten':
    case 'tare-subtracted-twice': {
      const chair = knownTares.find((tare) => `${tare.text} ${tare.unit}` === facts['tare']);
      if (chair === undefined) return [];
      const [kg, mass] = [inBaseUnit(reading.quantity), inBaseUnit(chair)];
      const isForgotten = kind === 'tare-forgotten';
      return [
        { what: 'Chair or sling of this person', amount: amount(chair), remark: 'known from earlier or registered' },
        {
          what: isForgotten ? 'This reading less the chair' : 'This reading and the chair',
          amount: inBase(isForgotten ? subtract(kg, mass) : add(kg, mass), 'weight'),
        },
      ];
    }
    case 'other-person':
      return [
        {
          what: 'Last weight of another person',
          amount: withUnit(facts['difference'] ?? '', 'kg'),
          remark: `away from this reading; they were weighed on the same scale ${facts['minutes'] ?? ''} minutes apart`,
        },
      ];
    case 'weight-height':
      return [{ what: 'In the other field', amount: amount(reading.quantity), remark: facts['evidence'] ?? '' }];
    default: {
      const meant = facts['meant'];
      return meant === undefined
        ? []
        : [{ what: MEANT[kind], amount: plainUnits(meant), remark: `near ${plainUnits(facts['against'] ?? '')}` }];
    }
  }
}

const MEANT = {
  'pounds-as-kilograms': 'Read as pounds',
  'kilograms-as-pounds': 'Read as kilograms',
  'inches-as-centimetres': 'Read as inches',
  'centimetres-as-inches': 'Read as centimetres',
  grams: 'Read in the other unit',
  'decimal-point': 'With the decimal point moved',
} as const;

function signedTo(difference: Decimal): string {
  return difference.scale <= 2
    ? signed(difference)
    : `${isNegative(difference) ? '' : '+'}${toShortestText(divideHalfUp(difference, decimal('1'), 2))}`;
}

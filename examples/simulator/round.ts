/**
 * What happens at one bed in the course of the day, as a plan: what is measured how, what ought to
 * become of every reading, and which BMI follow.
 */
import { tenths, type Amount } from './amount.ts';
import type { Kind } from './people.ts';
import type { Random } from './random.ts';
import type { ScaleName } from './scales.ts';
import type { TareName } from './tares.ts';

export type Expectation =
  | { readonly verdict: 'accepted' | 'resent' | 'corrected' }
  /** The rules that hold or refuse it, no more and no fewer. */
  | { readonly verdict: 'held' | 'refused'; readonly because: readonly string[] };

export interface Planned {
  readonly story: string;
  readonly of: 'weight' | 'height';
  readonly amount: Amount;
  /** Absent when it was typed by hand, or by a device that nobody registered. */
  readonly scale?: ScaleName;
  readonly gross?: Amount;
  readonly tare?: Amount;
  /** Minutes into this bed's round. */
  readonly minute: number;
  /** What the clock of the gateway says when that is not the time of measuring. */
  readonly clock?: FaultyClock;
  /** Named as subtracted (extension tare-device). */
  readonly subtracted?: readonly TareName[];
  /** How the person is named; by `Patient/{id}` unless said otherwise. */
  readonly named?: 'by-wristband' | 'by-name-only';
  /** Coded in the terms of a personal health device instead of LOINC. */
  readonly asHealthDevice?: true;
  /** The same message again as the reading with this index, or a correction of it. */
  readonly repeats?: number;
  readonly corrects?: number;
  readonly expected: Expectation;
}

/** Ahead of the service's clock, behind the time of measuring, or at the first of January of that many years ago. */
export type FaultyClock = { readonly aheadMinutes: number } | { readonly behindMinutes: number } | { readonly yearsBack: number };

export interface Round {
  readonly person: Kind;
  /** The service is not told of this person. */
  readonly unregistered?: true;
  plan(random: Random): { readonly readings: readonly Planned[]; readonly bmi: readonly (readonly [weight: Amount, height: Amount])[] };
}

type Rest = Partial<Omit<Planned, 'of' | 'amount' | 'minute' | 'story'>>;

const ACCEPTED: Expectation = { verdict: 'accepted' };
export const held = (...because: string[]): Expectation => ({ verdict: 'held', because });
export const refused = (...because: string[]): Expectation => ({ verdict: 'refused', because });

export function weight(story: string, minute: number, amount: Amount, rest: Rest = {}): Planned {
  return { story, of: 'weight', amount, minute, expected: ACCEPTED, ...rest };
}
export function height(story: string, minute: number, amount: Amount, rest: Rest = {}): Planned {
  return { story, of: 'height', amount, minute, scale: 'stadiometer', expected: ACCEPTED, ...rest };
}

/** Tenths of a kilogram. */
export const adultKg = (random: Random): number => random.whole(580, 920);
export const adultCm = (random: Random): Amount => tenths(random.whole(1560, 1860), 'cm');

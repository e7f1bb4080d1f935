/** When each line of a recorded day is due. */
import { InvalidArgumentError } from 'commander';

/** As many times the recorded pace; `max` is without any pause. */
export type Pace = number | 'max';

/** `1`, `10x`, `0.5x`, `max`. Throws InvalidArgumentError for anything else. */
export function paceIn(text: string): Pace {
  if (text === 'max') return 'max';
  const [, factor] = /^(\d{1,6}(?:\.\d{1,3})?)x?$/.exec(text) ?? [];
  if (factor === undefined || Number(factor) === 0)
    throw new InvalidArgumentError('It must be a factor above 0, such as 1 or 10x, or max.');
  return Number(factor);
}

/** `20/s`, `90/min`, or `20`; lines a second. Throws InvalidArgumentError for anything else. */
export function rateIn(text: string): number {
  const [, count, per] = /^(\d{1,6}(?:\.\d{1,3})?)(?:\/(s|min))?$/.exec(text) ?? [];
  if (count === undefined || Number(count) === 0)
    throw new InvalidArgumentError('It must be a number of lines a second or minute, such as 20/s or 90/min.');
  return Number(count) / (per === 'min' ? 60 : 1);
}

export interface Schedule {
  /** Milliseconds from the start; 0 for at once. */
  dueMs(index: number, atMs: number | undefined): number;
}

/** @param firstMs the earliest recorded time */
export function scheduleOf({ pace, rate }: { readonly pace: Pace; readonly rate?: number }, firstMs: number | undefined): Schedule {
  if (rate !== undefined) return { dueMs: (index) => (index * 1000) / rate };
  if (pace === 'max' || firstMs === undefined) return { dueMs: () => 0 };
  // what bears no time follows what stands before it, and so does what bears an earlier one
  return { dueMs: (_index, atMs) => (atMs === undefined ? 0 : (atMs - firstMs) / pace) };
}

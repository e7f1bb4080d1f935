/** How the commands read their arguments and word their help. */
import { InvalidArgumentError } from 'commander';

export function example(line: string): string {
  return `\nExample:\n  ${line}`;
}

export function exitCodes(ok: string, found: string, usage: string): string {
  return `\nExit codes: 0 ${ok}; 1 ${found}; 2 ${usage}.`;
}

export function wholeNumber(text: string): number {
  if (!/^\d{1,9}$/.test(text)) throw new InvalidArgumentError('It must be a whole number.');
  return Number(text);
}

export function limitNumber(text: string): number {
  const limit = wholeNumber(text);
  if (limit < 1 || limit > 10_000) throw new InvalidArgumentError('It must be a number from 1 to 10000.');
  return limit;
}

export function manyNumbers(text: string, before: number[] | undefined): number[] {
  return [...(before ?? []), wholeNumber(text)];
}

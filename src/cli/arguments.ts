/** How the commands read their arguments and word their help. */
import { InvalidArgumentError, type Command } from 'commander';
import { nearestName } from '../core/nearest-name.ts';

/** Where a service with no settings is reached. */
export const DEFAULT_URL = 'http://127.0.0.1:8080/fhir';

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

/**
 * Says of a misspelt word below a group that there is no such command. A group with a command that
 * may be left out would otherwise hand the word to that one, which then speaks of its own arguments.
 */
export function refuseUnknownBelow(group: Command): void {
  group.hook('preSubcommand', () => {
    const [word] = group.args;
    const names = group.commands.map((command) => command.name());
    if (word === undefined || word.startsWith('-') || names.includes(word)) return;
    const meant = nearestName(word, names);
    group.error(`error: unknown command '${word}'${meant === undefined ? '' : `\n(Did you mean ${meant}?)`}`, {
      code: 'commander.unknownCommand',
    });
  });
}

/** The `--growth-tables` option. */
import type { GrowthTables } from '../core/growth/tables.ts';
import { GrowthTablesError, loadGrowthTables } from '../growth-tables.ts';
import { CommandFailed } from './terminal.ts';

/** Throws CommandFailed with a sentence for each file that cannot be used. */
export function growthTablesFrom(folder: string | undefined): GrowthTables | undefined {
  try {
    return folder === undefined ? undefined : loadGrowthTables(folder);
  } catch (error) {
    if (!(error instanceof GrowthTablesError)) throw error;
    throw new CommandFailed(error.problems.map((problem) => `--growth-tables: ${problem}`).join('\n'));
  }
}

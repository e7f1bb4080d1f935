/** Growth tables by an option of the command line, or by the variable of the service. */
import type { GrowthTables } from '../core/growth/tables.ts';
import { GrowthTablesError, loadGrowthTables } from '../growth-tables.ts';
import { CommandFailed } from './terminal.ts';

/**
 * @param named what the folder was given by, for the sentences
 * @throws CommandFailed with a sentence for each file that cannot be used
 */
export function growthTablesFrom(folder: string | undefined, named = '--growth-tables'): GrowthTables | undefined {
  try {
    return folder === undefined ? undefined : loadGrowthTables(folder);
  } catch (error) {
    if (!(error instanceof GrowthTablesError)) throw error;
    throw new CommandFailed(error.problems.map((problem) => `${named}: ${problem}`).join('\n'));
  }
}

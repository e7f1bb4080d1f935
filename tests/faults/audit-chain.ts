/** The service's own check of its audit chain, run as an operator runs it. */
import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { command } from './command.ts';

const ROOT = join(import.meta.dirname, '../..');

/** Undefined when this version has no such command, or it cannot look into this store. */
export async function auditChainOf(database: string): Promise<'whole' | 'broken' | undefined> {
  if (!existsSync(join(ROOT, 'src/cli/audit.ts'))) return undefined;
  const { code } = await command(['audit', 'verify'], { environment: { STEELYARD_DATABASE: database } }).result;
  return code === 0 ? 'whole' : code === 1 ? 'broken' : undefined;
}

/** The service's own check of its audit chain, run as an operator runs it. */
import { execFile } from 'node:child_process';
import { existsSync } from 'node:fs';
import { join } from 'node:path';

const ROOT = join(import.meta.dirname, '../..');

/** Undefined when this version has no such command, or it cannot look into this store. */
export async function auditChainOf(database: string): Promise<'whole' | 'broken' | undefined> {
  if (!existsSync(join(ROOT, 'src/cli/audit.ts'))) return undefined;
  const code = await exitCodeOf(['audit', 'verify'], database);
  return code === 0 ? 'whole' : code === 1 ? 'broken' : undefined;
}

function exitCodeOf(command: readonly string[], database: string): Promise<number> {
  const args = ['--import', 'tsx', join(ROOT, 'src/cli/main.ts'), ...command];
  const env = { PATH: process.env['PATH'], STEELYARD_DATABASE: database };
  return new Promise((resolve) => {
    const child = execFile(process.execPath, args, { cwd: ROOT, env }, () => resolve(child.exitCode ?? -1));
  });
}

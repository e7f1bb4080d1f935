/**
 * Processes that tests start run compiled code, as an installed service does: hundreds of them are
 * started, and each is up in half the time. Compiled once before a run, into a folder of its own, so
 * that what is tested is what stands in the sources.
 */
import { execFileSync } from 'node:child_process';
import { cpSync } from 'node:fs';
import { join } from 'node:path';

const ROOT = join(import.meta.dirname, '..');
const BUILT = join(ROOT, '.built');
/** The compiled R4 structure check, which tsc does not emit. */
const GENERATED = 'src/core/conformance/generated';

/** Brings the compiled code up to date. Throws when it does not compile; tsc has said why by then. */
export default function build(): void {
  const tsc = join(ROOT, 'node_modules/typescript/bin/tsc');
  execFileSync(process.execPath, [tsc, '-p', join(ROOT, 'tests/tsconfig.built.json')], { stdio: 'inherit' });
  cpSync(join(ROOT, GENERATED), join(BUILT, GENERATED), { recursive: true });
}

/** Where a script of `src/`, `examples/`, or one that `tsconfig.built.json` names, is to be found compiled. */
export function built(script: string): string {
  return join(BUILT, script.replace(/\.ts$/, '.js'));
}

/**
 * Processes that tests start run compiled code, as an installed service does. Compiled once before a
 * run, into a folder of its own, so that what is tested is what stands in the sources.
 *
 * Hundreds of them are started. So, other than an installed service's, their modules stand in few
 * files, with the packages of many small ones among them: a process is up in half the time. Each is
 * loaded when it is loaded otherwise, and all other packages come from where they are installed. The
 * demo of `.ci/run` runs the code as `npm run build` leaves it; types are looked at by `npm run types`.
 */
import { build, type Plugin } from 'esbuild';
import { rm } from 'node:fs/promises';
import { join } from 'node:path';

const ROOT = join(import.meta.dirname, '..');
const BUILT = join(ROOT, '.built');
/** All that tests start as processes of their own, or have these load before all else. */
const SCRIPTS = [
  'src/cli/main.ts',
  'src/main-process.ts',
  'examples/demo.ts',
  'tests/contract/write-until-killed.ts',
  'tests/faults/failing-storage.ts',
  'tests/faults/shifted-clock.ts',
] as const;
/** Packages of dozens to hundreds of ECMAScript modules; opening these is half of a start. */
const OF_MANY_FILES = /^(?:kysely|zod|jose|openid-client|oauth4webapi|lossless-json)(?:\/|$)/;

const otherPackagesApart: Plugin = {
  name: 'other-packages-apart',
  setup(building) {
    building.onResolve({ filter: /^[^./]/ }, ({ path, kind }) =>
      kind === 'entry-point' || OF_MANY_FILES.test(path) ? undefined : { path, external: true },
    );
  },
};

/** Brings the compiled code up to date. Throws when it does not compile; esbuild has said why by then. */
export default async function compile(): Promise<void> {
  await rm(BUILT, { recursive: true, force: true });
  await build({
    absWorkingDir: ROOT,
    entryPoints: [...SCRIPTS],
    outbase: '.',
    outdir: BUILT,
    bundle: true,
    splitting: true,
    format: 'esm',
    platform: 'node',
    target: 'node20',
    sourcemap: true,
    logLevel: 'warning',
    plugins: [otherPackagesApart],
  });
}

/** Where a script is to be found compiled. */
export function built(script: (typeof SCRIPTS)[number]): string {
  return join(BUILT, script.replace(/\.ts$/, '.js'));
}

import { defineConfig } from 'vitest/config';
import { LongestFirst } from './tests/longest-first.ts';
import { quickFolder } from './tests/quick-folder.ts';

const folder = quickFolder();
// for the servers that a run starts, for its workers and for the children of these
if (folder !== undefined) process.env['TMPDIR'] = folder;
const isShuffled = process.argv.some((argument) => argument.startsWith('--sequence.shuffle'));

export default defineConfig({
  test: {
    reporters: ['default', './tests/closing-line.ts'],
    include: ['tests/**/*.test.ts'],
    globalSetup: ['./tests/built.ts', './tests/postgres-setup.ts'],
    setupFiles: ['./tests/closing-setup.ts'],
    pool: 'forks',
    maxWorkers: 2,
    // a worker loads the code once for all files that it runs; tests/shared-workers.test.ts says what that asks of them
    isolate: false,
    ...(!isShuffled && { sequence: { sequencer: LongestFirst } }),
    // patience, for a busy machine; nothing is asserted by it
    testTimeout: 180_000,
    hookTimeout: 180_000,
    expect: { poll: { timeout: 60_000 } },
  },
});

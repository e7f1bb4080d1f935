import { defineConfig } from 'vitest/config';

/** Tests of values: they start nothing and leave nothing behind, so each worker loads the code once for all of them. */
const OF_VALUES = ['tests/core/**/*.test.ts', 'tests/published/**/*.test.ts', 'tests/review/**/*.test.ts'];

const patience = { testTimeout: 60_000, hookTimeout: 60_000 };

export default defineConfig({
  test: {
    reporters: ['default', './tests/closing-line.ts'],
    pool: 'forks',
    maxWorkers: 2,
    projects: [
      { test: { name: 'values', include: OF_VALUES, isolate: false, ...patience } },
      {
        test: {
          name: 'service',
          globalSetup: ['./tests/built.ts', './tests/postgres-setup.ts'],
          include: ['tests/**/*.test.ts'],
          exclude: ['**/node_modules/**', ...OF_VALUES],
          ...patience,
        },
      },
    ],
  },
});

import { defineConfig } from 'vitest/config';

export default defineConfig({
  test: {
    globalSetup: ['./tests/built.ts', './tests/postgres-setup.ts'],
    include: ['tests/**/*.test.ts'],
    exclude: ['**/node_modules/**'],
    reporters: ['default', './tests/closing-line.ts'],
    testTimeout: 60_000,
    hookTimeout: 60_000,
    pool: 'forks',
    maxWorkers: 2,
  },
});

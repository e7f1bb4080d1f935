#!/usr/bin/env node
/** Starts the built command line. Plain JavaScript, so that it runs before anything is built. */
import { existsSync } from 'node:fs';

const entry = new URL('../dist/src/cli/main.js', import.meta.url);
if (existsSync(entry)) {
  await import(entry.href);
} else {
  process.stderr.write('steelyard is not built yet: run "npm run build" in its folder first.\n');
  process.exitCode = 2;
}

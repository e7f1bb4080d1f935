/** Test files that share a worker (`isolate: false` in vitest.config.ts) must leave nothing behind for the next one. */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';

const files = readdirSync(import.meta.dirname, { recursive: true, encoding: 'utf8' })
  .map((path) => path.replaceAll('\\', '/'))
  .filter((path) => path.endsWith('.ts') && !path.startsWith('oracles/node_modules/'))
  .map((path) => ({ path, text: readFileSync(join(import.meta.dirname, path), 'utf8') }));
const where = (texts: typeof files, forbidden: RegExp): string[] =>
  texts.filter(({ text }) => forbidden.test(text)).map(({ path }) => path);

const HOOK_AT_LOADING = /^(?:before|after)(?:Each|All)\(/m;
const MODULE_REPLACED = /\bvi\.(?:do)?[mM]ock\(/;
const CLOCK_REPLACED = /\bvi\.(?:useFakeTimers|setSystemTime)\(/;
const ENVIRONMENT_REPLACED = /\bvi\.stub(?:Env|Global)\(/;

describe('a file of the tests', () => {
  it('is found', () => {
    expect(files.length).toBeGreaterThan(300);
  });

  it('registers hooks while it loads only when it is a test file: a helper is loaded once, for the first of many', () => {
    const helpers = files.filter(({ path }) => !path.endsWith('.test.ts') && path !== 'closing-setup.ts');
    expect(where(helpers, HOOK_AT_LOADING)).toEqual([]);
  });

  it('replaces no module, which others have loaded by then, and no clock, by which others wait', () => {
    expect(where(files, MODULE_REPLACED)).toEqual([]);
    expect(where(files, CLOCK_REPLACED)).toEqual([]);
  });

  it('that replaces a part of the environment puts it back', () => {
    const replacing = files.filter(({ text }) => ENVIRONMENT_REPLACED.test(text));
    expect(replacing.length).toBeGreaterThan(0);
    expect(replacing.filter(({ text }) => !/\bvi\.unstubAll(?:Envs|Globals)\(/.test(text)).map(({ path }) => path)).toEqual([]);
  });
});

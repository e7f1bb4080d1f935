import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';
import { installedFolder } from '../src/installation.ts';

const root = mkdtempSync(join(tmpdir(), 'steelyard-installation-'));
afterAll(() => rmSync(root, { recursive: true, force: true }));

describe('a shipped folder', () => {
  const code = join(root, 'node_modules', 'steelyard', 'dist', 'src');
  mkdirSync(code, { recursive: true });
  mkdirSync(join(root, 'rules'));
  writeFileSync(join(root, 'package.json'), '{}');

  it('is found beside the nearest package.json, above the built code', () => {
    mkdirSync(join(root, 'node_modules', 'steelyard', 'profiles'));
    writeFileSync(join(root, 'node_modules', 'steelyard', 'package.json'), '{}');
    expect(installedFolder('profiles', code)).toBe(join(root, 'node_modules', 'steelyard', 'profiles'));
  });

  it('is missing when it is not there, whatever folders a program around this one has', () => {
    expect(installedFolder('rules', code)).toBeUndefined();
    expect(installedFolder('rules', root)).toBe(join(root, 'rules'));
  });
});

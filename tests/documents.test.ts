import { existsSync, mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { GENERATED_DOCUMENTS, withTables } from '../scripts/generate-documents.ts';
import { MOVABLE_RULES } from '../src/core/rules/index.ts';
import { GatewaysHolder } from '../src/gateways.ts';
import { loadPolicy } from '../src/policy-file.ts';
import { startService } from './service.ts';

const ROOT = join(import.meta.dirname, '..');
const read = (name: string): string => readFileSync(join(ROOT, name), 'utf8');
const scripts = (JSON.parse(read('package.json')) as { scripts: Record<string, string> }).scripts;

describe('the tables of limits', () => {
  it.each(['limits', 'changes'])('%s is the one that the code makes today', (name) => {
    const part = (text: string): string | undefined => text.split(`<!-- generated: ${name} -->`)[1]?.split('<!-- end -->')[0];
    expect(part(read('README.md'))).toBe(part(withTables(read('README.md'))));
    expect(part(read('README.md'))).toContain('`age-unknown`');
  });
});

describe('every document with tables from the code', () => {
  it.each(GENERATED_DOCUMENTS)('%s has those that the code makes today', (document) => {
    expect(withTables(read(document), document)).toBe(read(document));
  });
});

describe('README.md', () => {
  it('carries the cautions above its first command', () => {
    const readme = read('README.md');
    const cautions = readme.indexOf('not a medical device');
    expect(cautions).toBeGreaterThan(0);
    expect(cautions).toBeLessThan(readme.indexOf('npm ci'));
    expect(readme).toContain('verify a held reading by weighing');
  });
});

describe('the answers that README.md shows', () => {
  it('are under the built-in policy of today', () => {
    const shown = [...read('README.md').matchAll(/"valueString": "(built-in-[0-9a-f]+)"/g)].map(([, version]) => version);
    expect(shown).toEqual([loadPolicy(undefined, MOVABLE_RULES).version]);
  });

  it('are answers of the service itself, but for ids and instants', async () => {
    const service = await startService({ now: '2026-11-25T08:00:00Z', policy: loadPolicy(undefined, MOVABLE_RULES) });
    const send = (code: string, value: string, unit: string) =>
      service.post(
        'Observation',
        `{"resourceType":"Observation","status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}],` +
          `"code":{"coding":[{"system":"http://loinc.org","code":"${code}"}]},"subject":{"reference":"Patient/ada-invented"},"effectiveDateTime":"2026-11-25T07:59:00Z",` +
          `"valueQuantity":{"value":${value},"unit":"${unit}","system":"http://unitsofmeasure.org","code":"${unit}"}}`,
      );
    await send('8302-2', '160.0', 'cm');
    await send('29463-7', '80.0', 'kg');
    const refusal = await send('29463-7', '80.09', 'kg');
    const bmi = await service.call('GET', '/fhir/Observation?patient=ada-invented&code=39156-5');
    await service.close();
    const settled = (text: string): unknown =>
      JSON.parse(
        text
          .replace(/[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}/g, 'ID')
          .replace(/\d{4}-\d{2}-\d{2}T[\d:.]+Z/g, 'INSTANT'),
      );
    const [shownBmi = '', shownRefusal = ''] = [...read('README.md').matchAll(/```json\n([\s\S]*?)```/g)].map(([, text]) => text as string);
    expect(settled(shownBmi)).toEqual((settled(bmi.text) as { entry: { resource: unknown }[] }).entry[0]?.resource);
    expect(settled(shownRefusal)).toEqual(settled(refusal.text));
  });
});

describe('README.md and DEVELOPERS.md', () => {
  it.each(['README.md', 'DEVELOPERS.md'])('%s names only npm scripts that exist', (name) => {
    const named = [...read(name).matchAll(/npm run ([a-z:]+)/g)].map(([, script]) => script as string);
    expect(named.length).toBeGreaterThan(0);
    expect(named.filter((script) => scripts[script] === undefined)).toEqual([]);
  });

  it.each(['README.md', 'DEVELOPERS.md'])('%s links only to files that exist', (name) => {
    const links = [...read(name).matchAll(/\]\(([^)#]+)\)/g)]
      .map(([, target]) => target as string)
      .filter((target) => !target.includes('://'));
    for (const link of links) expect(existsSync(join(ROOT, link)), link).toBe(true);
  });

  it('DEVELOPERS.md names only source files that exist', () => {
    const files = [...read('DEVELOPERS.md').matchAll(/`((?:src|tests|scripts)\/[\w./-]+\.ts)`/g)].map(([, file]) => file as string);
    expect(files.length).toBeGreaterThan(3);
    for (const file of files) expect(read(file).length, file).toBeGreaterThan(0);
  });
});

describe('the gateways file that README.md shows', () => {
  it('is one that the service takes', () => {
    const shown = [...read('README.md').matchAll(/```json\n([\s\S]*?)```/g)]
      .map(([, text]) => String(text))
      .filter((text) => /^\{\n {2}"gateways"/.test(text));
    expect(shown).toHaveLength(1);
    const file = join(mkdtempSync(join(tmpdir(), 'steelyard-readme-')), 'gateways.json');
    writeFileSync(file, shown[0] ?? '');
    expect(new GatewaysHolder(file).current?.size).toBe(2);
  });
});

describe('examples/policy.json', () => {
  it('is a valid policy of which every line is explained', () => {
    expect(loadPolicy(join(ROOT, 'examples/policy.json'), MOVABLE_RULES).version).toMatch(/^site-/);
    const explained = [...read('examples/README.md').matchAll(/^\| `([\w.-]+)` +\| [^|]+ \| [^|]+ \|$/gm)].map(([, name]) => name);
    expect(explained).toEqual(Object.keys(JSON.parse(read('examples/policy.json')) as object));
  });
});

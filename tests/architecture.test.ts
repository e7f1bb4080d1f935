/** The shape of the source: who may import whom, what the core may not do, how long and how named a file may be. */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { dirname, join, normalize, relative } from 'node:path';
import { describe, expect, it } from 'vitest';

const ROOT = join(import.meta.dirname, '..');
/** `review` is none: it makes pages of values, and its routes stand in `http/review`. */
const EDGES = ['http', 'store', 'forward', 'cli', 'intake'];
/** The composition root builds every edge; nothing else may. */
const ROOT_FILES = ['src/main.ts'];
/** Libraries that compute and nothing else. */
const CORE_LIBRARIES = ['fhirpath', 'fhirpath/fhir-context/r4', 'jsonc-parser', 'lossless-json', 'fhir/r4.js'];

interface SourceFile {
  readonly path: string;
  readonly text: string;
  /** The text without comments and without what stands in quotation marks. */
  readonly code: string;
  readonly imports: readonly string[];
}

const files: readonly SourceFile[] = readdirSync(join(ROOT, 'src'), { recursive: true, encoding: 'utf8' })
  .filter((path) => /\.[tj]s$/.test(path))
  .map((path) => `src/${path.replaceAll('\\', '/')}`)
  .filter((path) => !path.includes('/generated/'))
  .sort()
  .map((path) => {
    const text = readFileSync(join(ROOT, path), 'utf8');
    return { path, text, code: withoutComments(text), imports: importsOf(text) };
  });

function importsOf(text: string): string[] {
  const declared = /(?:^|\n)(?:import|export)\s(?:[^;'"]*?from\s+)?['"]([^'"]+)['"]|\bimport\(\s*['"]([^'"]+)['"]/g;
  return [...text.matchAll(declared)].flatMap(([, from, dynamic]) => from ?? dynamic ?? []);
}

function withoutComments(text: string): string {
  return text
    .replace(/\/\*[\s\S]*?\*\//g, '')
    .replace(/(^|[^:'"`])\/\/.*$/gm, '$1')
    .replace(/'(?:[^'\\\n]|\\.)*'/g, "''");
}

/** The imported file, from the project's root; undefined for a library. */
function target(from: string, specifier: string): string | undefined {
  return specifier.startsWith('.') ? normalize(join(dirname(from), specifier)).replaceAll('\\', '/') : undefined;
}

function edgeOf(path: string): string | undefined {
  return EDGES.find((edge) => path.startsWith(`src/${edge}/`) || path === `src/${edge}.ts`);
}

const core = files.filter(({ path }) => path.startsWith('src/core/'));
const graph = new Map(files.map(({ path, imports }) => [path, imports.flatMap((one) => target(path, one) ?? [])]));

describe('the arrows', () => {
  it('are looked for in files that import something', () => {
    expect(core.length).toBeGreaterThan(30);
    expect([...graph.values()].flat().length).toBeGreaterThan(200);
  });

  it('lead from no edge to another edge', () => {
    const crossing = files.flatMap(({ path }) =>
      (graph.get(path) ?? [])
        .filter((to) => edgeOf(path) !== undefined && edgeOf(to) !== undefined && edgeOf(path) !== edgeOf(to))
        .map((to) => `${path} -> ${to}`),
    );
    expect(crossing).toEqual([]);
  });

  it('lead from the core only to the core and to libraries that compute', () => {
    const leaving = core.flatMap(({ path, imports }) =>
      imports
        .filter((one) => !(target(path, one)?.startsWith('src/core/') ?? CORE_LIBRARIES.includes(one)))
        .map((one) => `${path} -> ${one}`),
    );
    expect(leaving).toEqual([]);
  });

  it('lead from what the pages are made of to nothing but values', () => {
    const views = files.filter(({ path }) => path.startsWith('src/review/'));
    expect(views.length).toBeGreaterThan(8);
    const allowed = (to: string): boolean => /^src\/(core|review)\/|^src\/visitor\.ts$/.test(to);
    const leaving = views.flatMap(({ path, imports }) =>
      imports.filter((one) => !allowed(target(path, one) ?? one)).map((one) => `${path} -> ${one}`),
    );
    expect(leaving).toEqual([]);
  });

  it('lead from the use case to no edge', () => {
    const useCase = files.filter(({ path }) => path === 'src/ingest.ts' || path === 'src/ports.ts' || path.startsWith('src/ingest/'));
    expect(useCase.length).toBeGreaterThan(5);
    expect(
      useCase.flatMap(({ path }) => (graph.get(path) ?? []).filter((to) => edgeOf(to) !== undefined).map((to) => `${path} -> ${to}`)),
    ).toEqual([]);
  });

  it('lead to the composition root from nowhere but the process and the command line', () => {
    const callers = files.filter(({ path }) => (graph.get(path) ?? []).some((to) => ROOT_FILES.includes(to))).map(({ path }) => path);
    expect(callers.filter((path) => path !== 'src/main-process.ts' && !path.startsWith('src/cli/'))).toEqual([]);
  });

  it('lead to files that are there, named with their ending', () => {
    const missing = [...graph].flatMap(([path, to]) => to.filter((one) => !existsSync(join(ROOT, one))).map((one) => `${path} -> ${one}`));
    expect(missing).toEqual([]);
  });

  it('lead out of the source only from the command line to the simulator', () => {
    const leaving = [...graph].flatMap(([path, to]) => to.filter((one) => !one.startsWith('src/')).map((one) => `${path} -> ${one}`));
    expect(leaving.filter((arrow) => !/^src\/cli\/\S+ -> examples\/simulator\//.test(arrow))).toEqual([]);
  });

  it('go round in no circle', () => {
    const done = new Set<string>();
    const circles: string[] = [];
    const walk = (path: string, trail: readonly string[]): void => {
      if (trail.includes(path)) circles.push([...trail.slice(trail.indexOf(path)), path].join(' -> '));
      if (done.has(path) || trail.includes(path)) return;
      for (const to of graph.get(path) ?? []) walk(to, [...trail, path]);
      done.add(path);
    };
    for (const path of graph.keys()) walk(path, []);
    expect(circles).toEqual([]);
  });
});

describe('the core', () => {
  it.each([
    ['waits for nothing', /\bawait\b|\basync\b|\bPromise\b/],
    ['has no clock', /\bDate\.now\b|\bnew Date\(\s*\)|\bperformance\b|\bsetTimeout\b|\bsetInterval\b/],
    ['has no dice', /\bMath\.random\b|\bcrypto\b|\brandomUUID\b/],
    ['knows no environment', /\bprocess\b|\bglobalThis\b/],
    ['logs nothing', /\bconsole\b/],
    ['takes no type on faith', /:\s*any\b|\bas any\b/],
  ])('%s', (_what, forbidden) => {
    expect(core.filter(({ code }) => forbidden.test(code)).map(({ path }) => path)).toEqual([]);
  });

  it('imports nothing of the platform', () => {
    expect(core.flatMap(({ path, imports }) => imports.filter((one) => one.startsWith('node:')).map((one) => `${path} -> ${one}`))).toEqual(
      [],
    );
  });
});

describe('every file', () => {
  it('has at most 300 lines', () => {
    expect(files.filter(({ text }) => text.split('\n').length - 1 > 300).map(({ path }) => path)).toEqual([]);
  });

  it('has a name that says what is in it, in kebab case', () => {
    const banned = /(^|[-/])(utils?|common|manager|misc|helpers?)([-./]|$)/;
    expect(files.map(({ path }) => path).filter((path) => banned.test(path) || !/^[a-z0-9/.-]+$/.test(path))).toEqual([]);
  });

  it('begins by saying what it is for', () => {
    const silent = files.filter(({ text, path }) => path.endsWith('.ts') && !/^(#!.*\n)?\/\*\*/.test(text)).map(({ path }) => path);
    expect(silent).toEqual([]);
  });

  it('reads the environment only where the configuration is made', () => {
    const readers = files.filter(({ code }) => /\bprocess\.env\b/.test(code)).map(({ path }) => path);
    expect(readers.filter((path) => path !== 'src/config.ts' && path !== 'src/main.ts' && !path.startsWith('src/cli/'))).toEqual([]);
  });

  it('has a place in the layout', () => {
    const rooms = new Set(['core', 'ingest', 'metrics', 'composition', 'review', ...EDGES]);
    const lost = files
      .map(({ path }) => relative('src', path).split('/'))
      .filter((parts) => parts.length > 1 && !rooms.has(parts[0] ?? ''));
    expect(lost).toEqual([]);
  });
});

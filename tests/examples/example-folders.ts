/** The scenarios of `examples/`: which folders there are, and what each holds. */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { isJsonObject, parseExactJson, type JsonObject, type JsonValue } from '../../src/core/json.ts';
import { isLosslessNumber } from 'lossless-json';

const EXAMPLES = new URL('../../examples/', import.meta.url);
export const FILES = ['request.json', 'response.json', 'README.md'] as const;

export interface ExpectedAnswer {
  readonly status: number;
  readonly headers: Readonly<Record<string, string>>;
  readonly body: JsonValue;
}

/** What a puller then gets; `get` is a path that may hold placeholders. */
export type LaterCall = ExpectedAnswer & { readonly get: string };

export interface Example {
  readonly requestText: string;
  readonly request: JsonObject;
  readonly response: ExpectedAnswer;
  readonly then: readonly LaterCall[];
}

/** Folders of scenarios: all but those that hold a program. */
export function exampleFolders(): string[] {
  return readdirSync(EXAMPLES, { withFileTypes: true })
    .filter((entry) => entry.isDirectory())
    .map(({ name }) => name)
    .filter((name) => !readdirSync(new URL(`${name}/`, EXAMPLES)).some((file) => file.endsWith('.ts')))
    .sort();
}

export function missingFiles(folder: string): string[] {
  return FILES.filter((file) => !existsSync(new URL(`${folder}/${file}`, EXAMPLES)));
}

export function readText(path: string): string {
  return readFileSync(new URL(path, EXAMPLES), 'utf8');
}

export function readExample(folder: string): Example {
  const requestText = readText(`${folder}/request.json`);
  const response = objectOf(readText(`${folder}/response.json`), folder);
  const then = response['then'] ?? [];
  if (!Array.isArray(then)) throw new Error(`${folder}: "then" must be a list`);
  return {
    requestText,
    request: objectOf(requestText, folder),
    response: toExpected(response, folder),
    then: then.map((call) => {
      if (!isJsonObject(call) || typeof call['get'] !== 'string') throw new Error(`${folder}: a later call needs "get"`);
      return { get: call['get'], ...toExpected(call, folder) };
    }),
  };
}

function toExpected({ status, headers = {}, body }: JsonObject, folder: string): ExpectedAnswer {
  if (!isLosslessNumber(status) || !isJsonObject(headers) || body === undefined)
    throw new Error(`${folder}: an answer needs status, headers and body`);
  return { status: Number(status.value), headers: headers as Record<string, string>, body };
}

function objectOf(text: string, folder: string): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok || !isJsonObject(parsed.value)) throw new Error(`${folder} holds something that is no JSON object`);
  return parsed.value;
}

export type Pair = readonly [right: string, fault: string, verdict: string, rule: string];

const INDEX_ROW = /^\| \[([a-z0-9-]+)\]\(\1\/\) +\| \[([a-z0-9-]+)\]\(\2\/\) +\| (held|refused): `([a-z0-9-]+)` +\|$/gm;

/** Rows of the index: a right scenario, the same with one fault, and what becomes of the fault. */
export function indexedPairs(): Pair[] {
  return [...readText('README.md').matchAll(INDEX_ROW)].map(
    ([, right = '', fault = '', verdict = '', rule = '']) => [right, fault, verdict, rule] as const,
  );
}

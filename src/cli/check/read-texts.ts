/**
 * The texts of a file, or of standard input, each as an exact JSON tree; or why it is none. A file
 * is one text. Of NDJSON each line is one, read as it comes, so that a day of any length fits.
 */
import { createReadStream } from 'node:fs';
import { extname } from 'node:path';
import { buffer } from 'node:stream/consumers';
import { jsonFinding } from '../../core/conform.ts';
import type { Finding } from '../../core/finding.ts';
import { isJsonObject, parseExactJson, type JsonObject } from '../../core/json.ts';
import { STANDARD_INPUT, type Source } from './sources.ts';

export type TextContent =
  | { readonly kind: 'resource'; readonly type: 'Observation' | 'Bundle'; readonly resource: JsonObject; readonly text: string }
  /** `finding` when a rule of the service says it too; `at` when a place of the file is known, counted from 1. */
  | {
      readonly kind: 'unreadable';
      readonly problem: string;
      readonly finding?: Finding;
      readonly at?: { readonly line: number; readonly column: number };
    };

export interface ReadText {
  readonly content: TextContent;
  /** The line of an NDJSON file that it stands on, from 1; absent when it is the whole file. */
  readonly line?: number;
  /** How much of the source was read so far. */
  readonly bytesRead: number;
}

/** More than any line of a recorded day: a Bundle of 1,000 entries has some three million bytes. */
const LONGEST_LINE_BYTES = 64 * 1024 * 1024;

/**
 * @param isNdjson true when the source is to be read line by line whatever its name is. Otherwise a
 *   name that ends in `.ndjson` says so, and standard input does by having a JSON object on its first line and
 *   another behind it.
 */
export async function* textsOf(source: Source, isNdjson: boolean, stdin: NodeJS.ReadableStream = process.stdin): AsyncGenerator<ReadText> {
  if (source.trouble !== undefined) {
    yield { content: notRead(source.trouble), bytesRead: 0 };
    return;
  }
  const isStandardInput = source.file === STANDARD_INPUT;
  const stream = isStandardInput ? stdin : createReadStream(source.file);
  try {
    if (isNdjson || extname(source.file).toLowerCase() === '.ndjson') yield* textsInLines(linesOf(stream));
    else if (isStandardInput) yield* textsInEither(linesOf(stream));
    else yield wholeText(await buffer(stream));
  } catch (error) {
    if (error instanceof LineTooLong) yield { content: error.content, line: error.line, bytesRead: 0 };
    else if (error instanceof Error && 'code' in error) yield { content: notRead(String(error.code)), bytesRead: 0 };
    else throw error;
  }
}

function notRead(code: string): TextContent {
  return { kind: 'unreadable', problem: `it cannot be read (${code})` };
}

interface Line {
  /** From 1. */
  readonly number: number;
  /** Without its ending. */
  readonly bytes: Buffer;
  readonly bytesRead: number;
}

/** A line that is longer than any is to be ends the reading: what would follow is nobody's message. */
class LineTooLong extends Error {
  readonly line: number;
  readonly content: TextContent = {
    kind: 'unreadable',
    problem: `a line has more than ${LONGEST_LINE_BYTES} bytes, and nothing behind it was read`,
  };
  constructor(line: number) {
    super('the line is too long');
    this.line = line;
  }
}

const LINE_FEED = 0x0a;

async function* linesOf(stream: NodeJS.ReadableStream): AsyncGenerator<Line> {
  let [number, bytesRead, waiting] = [1, 0, 0];
  let parts: Buffer[] = [];
  const add = (part: Buffer): void => {
    waiting += part.length;
    if (waiting > LONGEST_LINE_BYTES) throw new LineTooLong(number);
    parts.push(part);
  };
  for await (const chunk of stream) {
    const bytes = typeof chunk === 'string' ? Buffer.from(chunk) : chunk;
    let from = 0;
    for (let end = bytes.indexOf(LINE_FEED); end >= 0; end = bytes.indexOf(LINE_FEED, from)) {
      add(bytes.subarray(from, end));
      yield { number, bytes: Buffer.concat(parts), bytesRead: bytesRead + end + 1 };
      [parts, waiting, number, from] = [[], 0, number + 1, end + 1];
    }
    add(bytes.subarray(from));
    bytesRead += bytes.length;
  }
  if (waiting > 0) yield { number, bytes: Buffer.concat(parts), bytesRead };
}

async function* textsInLines(lines: AsyncIterable<Line>): AsyncGenerator<ReadText> {
  let isEmpty = true;
  for await (const { number, bytes, bytesRead } of lines) {
    if (isBlank(bytes)) continue;
    isEmpty = false;
    yield { content: contentOf(bytes, number), line: number, bytesRead };
  }
  if (isEmpty) yield { content: { kind: 'unreadable', problem: 'it holds no line' }, bytesRead: 0 };
}

/** Several JSON objects, a line each; or one JSON text, on however many lines. */
async function* textsInEither(lines: AsyncGenerator<Line>): AsyncGenerator<ReadText> {
  const held: Line[] = [];
  const first: Line[] = [];
  for (let next = await lines.next(); !next.done; next = await lines.next()) {
    held.push(next.value);
    if (isBlank(next.value.bytes)) continue;
    first.push(next.value);
    if (!isObjectOnALine(next.value.bytes)) break;
    if (first.length === 2) {
      yield* textsInLines(after(held, lines));
      return;
    }
  }
  for await (const line of lines) held.push(line);
  yield wholeText(Buffer.concat(held.flatMap(({ bytes }) => [bytes, Buffer.from('\n')])));
}

async function* after(held: readonly Line[], rest: AsyncIterable<Line>): AsyncGenerator<Line> {
  yield* held;
  yield* rest;
}

function isObjectOnALine(bytes: Buffer): boolean {
  return /^(?:\uFEFF)?\s*\{.*\}\s*$/s.test(bytes.toString('utf8'));
}

function isBlank(bytes: Buffer): boolean {
  return bytes.every((byte) => byte === 0x20 || byte === 0x09 || byte === 0x0d);
}

function wholeText(bytes: Buffer): ReadText {
  return { content: contentOf(bytes), bytesRead: bytes.length };
}

function contentOf(bytes: Buffer, line = 1): TextContent {
  let text: string;
  try {
    text = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    return { kind: 'unreadable', problem: 'it is not UTF-8 text' };
  }
  const parsed = parseExactJson(text);
  if (!parsed.ok) {
    const problem = { ...parsed.problem, line: parsed.problem.line + line - 1 };
    const said = `it is not acceptable JSON: ${problem.reason}, line ${problem.line}, column ${problem.column}`;
    return { kind: 'unreadable', problem: said, finding: jsonFinding(problem), at: problem };
  }
  const type = isJsonObject(parsed.value) ? parsed.value['resourceType'] : undefined;
  if (type !== 'Observation' && type !== 'Bundle')
    return { kind: 'unreadable', problem: 'it is neither an Observation nor a Bundle (resourceType)' };
  return { kind: 'resource', type, resource: parsed.value as JsonObject, text };
}

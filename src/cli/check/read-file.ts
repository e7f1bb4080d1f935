/** A file, or standard input, as an exact JSON tree; or why it is none. */
import { readFile } from 'node:fs/promises';
import { buffer } from 'node:stream/consumers';
import { jsonFinding } from '../../core/conform.ts';
import type { Finding } from '../../core/finding.ts';
import { isJsonObject, parseExactJson, type JsonObject } from '../../core/json.ts';

export type FileContent =
  | { readonly kind: 'resource'; readonly type: 'Observation' | 'Bundle'; readonly resource: JsonObject; readonly text: string }
  /** `finding` when a rule of the service says it too. */
  | { readonly kind: 'unreadable'; readonly problem: string; readonly finding?: Finding };

/** @param file a path, or `-` for standard input */
export async function readResource(file: string): Promise<FileContent> {
  let bytes: Uint8Array;
  try {
    bytes = file === '-' ? await buffer(process.stdin) : await readFile(file);
  } catch (error) {
    return unreadable(`it cannot be read (${(error as NodeJS.ErrnoException).code ?? 'unknown reason'})`);
  }
  let text: string;
  try {
    text = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    return unreadable('it is not UTF-8 text');
  }
  const parsed = parseExactJson(text);
  if (!parsed.ok) {
    const { reason, line, column } = parsed.problem;
    return { ...unreadable(`it is not acceptable JSON: ${reason}, line ${line}, column ${column}`), finding: jsonFinding(parsed.problem) };
  }
  const type = isJsonObject(parsed.value) ? parsed.value['resourceType'] : undefined;
  if (type !== 'Observation' && type !== 'Bundle') return unreadable('it is neither an Observation nor a Bundle (resourceType)');
  return { kind: 'resource', type, resource: parsed.value as JsonObject, text };
}

function unreadable(problem: string): Extract<FileContent, { kind: 'unreadable' }> {
  return { kind: 'unreadable', problem };
}

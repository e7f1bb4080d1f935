/**
 * Request bodies: what is no UTF-8 JSON of a bearable size is refused before anybody looks at it.
 *
 * express on its own lets an empty body, a wrong media type, UTF-16 and invalid UTF-8 through,
 * and its parser's messages quote the body; so only its reading and inflating is used.
 */
import express from 'express';
import { jsonFinding } from '../core/conform.ts';
import type { Finding } from '../core/finding.ts';
import { parseExactJson, type JsonValue } from '../core/json.ts';
import { ServiceError } from '../errors.ts';
import { beginWithBody, makeRoomForBody } from './load-shedding.ts';
import { parseMediaType } from './negotiation.ts';
import { LARGEST_BODY_BYTES, LARGEST_FORM_BYTES, type Request, type RequestHandler } from './serving.ts';

const FHIR_BODY = ['application/fhir+json', 'application/json'];
const FORM_BODY = ['application/x-www-form-urlencoded'];
const CODINGS = new Set(['identity', 'gzip', 'x-gzip', 'deflate']);

const decoder = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true });

/** Middleware before a handler that calls `readJsonBody`. */
export const takeJsonBody: readonly RequestHandler[] = take(FHIR_BODY, LARGEST_BODY_BYTES);
/** Middleware before a handler that calls `readFormBody`. */
export const takeFormBody: readonly RequestHandler[] = take(FORM_BODY, LARGEST_FORM_BYTES);
/** The same for a form that a whole Bundle is pasted into. */
export const takeLargeFormBody: readonly RequestHandler[] = take(FORM_BODY, LARGEST_BODY_BYTES);

/** Media types that a route takes whose handler stands behind `before`; empty when it takes no body. */
export function mediaTypesOf(before: readonly RequestHandler[]): readonly string[] {
  if (before === takeJsonBody) return FHIR_BODY;
  return before === takeFormBody || before === takeLargeFormBody ? FORM_BODY : [];
}

function take(types: readonly string[], limit: number): readonly RequestHandler[] {
  const checkHeaders: RequestHandler = (req, _res, next) => {
    const { type, parameters } = parseMediaType(req.get('content-type') ?? '');
    const charset = parameters.get('charset') ?? 'utf-8';
    if (!types.includes(type)) refuseMediaType(`Send the body as ${types[0]}.`, 'http.content-type');
    if (charset !== 'utf-8' && charset !== 'utf8') refuseMediaType('Send the body in UTF-8.', 'http.content-type');
    const coding = (req.get('content-encoding') ?? 'identity').trim().toLowerCase();
    // the parser says so too, but only when all of it has been read
    if (Number(req.headers['content-length'] ?? 0) > limit) throw tooLarge(limit);
    if (!CODINGS.has(coding)) refuseMediaType('Send the body as it is, or compressed once with gzip or deflate.', 'http.content-encoding');
    next();
  };
  return [checkHeaders, makeRoomForBody(limit), express.raw({ type: () => true, limit, inflate: true }), beginWithBody];
}

/** @param limit bytes that were allowed */
export function tooLarge(limit: number = LARGEST_BODY_BYTES): ServiceError {
  return new ServiceError('ERR_TOO_LARGE', `The body is larger than ${limit} bytes. Send it in smaller Bundles.`);
}

function refuseMediaType(message: string, expression: string): never {
  throw new ServiceError('ERR_MEDIA_TYPE', message, { expression });
}

export interface JsonBody {
  /** As it was received. */
  readonly text: string;
  readonly value: JsonValue;
}

/** The body is no JSON that we take; the finding says where and why, and never quotes the text. */
export class UnreadableBody extends Error {
  readonly finding: Finding;
  constructor(finding: Finding) {
    super('the body is not acceptable JSON');
    this.name = 'UnreadableBody';
    this.finding = finding;
  }
}

/** @throws UnreadableBody; ServiceError ERR_NOT_JSON when it is empty or not UTF-8 */
export function readJsonBody(req: Request): JsonBody {
  const text = readText(req);
  if (text.trim() === '') throw new ServiceError('ERR_NOT_JSON', 'The body is empty. Send one FHIR resource as JSON.');
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new UnreadableBody(jsonFinding(parsed.problem));
  return { text, value: parsed.value };
}

/** The form of a search by POST, still percent-encoded; empty when there is no body. */
export function readFormBody(req: Request): string {
  return readText(req);
}

function readText(req: Request): string {
  const body: unknown = req.body;
  if (!Buffer.isBuffer(body)) return '';
  try {
    return decoder.decode(body);
  } catch {
    throw new ServiceError('ERR_NOT_JSON', 'The body is not valid UTF-8. Correct its encoding and send it again.');
  }
}

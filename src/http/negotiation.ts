/**
 * Accept, `_format` and Prefer (RFC 9110 section 12.5.1, RFC 7240, HL7 FHIR R4 http sections
 * 3.1.0.1.8 and 3.1.0.1.10). Only JSON is served.
 */
import { ServiceError } from '../errors.ts';
import type { Request, RequestHandler } from './serving.ts';

const JSON_TYPES = new Set(['application/fhir+json', 'application/json', 'application/*', '*/*', 'text/json']);
/** A `+` that was not percent-encoded arrives as a blank. */
const JSON_FORMATS = new Set(['json', 'application/json', 'application/fhir+json', 'application/fhir json', 'text/json']);

export interface MediaType {
  /** Lower case, without parameters. */
  readonly type: string;
  readonly parameters: ReadonlyMap<string, string>;
}

/** Reads `type/subtype; name=value`. Quoted values lose their quotes. */
export function parseMediaType(text: string): MediaType {
  const [type = '', ...rest] = text.split(';').map((part) => part.trim());
  const parameters = new Map<string, string>();
  for (const part of rest) {
    const [name = '', value = ''] = part.split('=', 2).map((side) => side.trim());
    parameters.set(name.toLowerCase(), value.replace(/^"(.*)"$/, '$1').toLowerCase());
  }
  return { type: type.toLowerCase(), parameters };
}

/** A file of an export is no JSON, but lines of it. */
const NDJSON_TYPES = new Set(['application/fhir+ndjson', 'application/ndjson', 'application/x-ndjson']);
const EXPORT_FILE = /^\/(?:\$|%24)export\/[^/]{1,100}\/\d{1,9}\/?(?:\?|$)/;

function acceptsFhirJson(accept: string, isFile: boolean): boolean {
  return accept.split(',').some((range) => {
    const { type, parameters } = parseMediaType(range);
    const version = parameters.get('fhirversion');
    const isWanted = Number(parameters.get('q') ?? '1') > 0;
    return (
      (JSON_TYPES.has(type) || (isFile && NDJSON_TYPES.has(type))) &&
      isWanted &&
      (version === undefined || version === '4.0' || version === '4.0.1')
    );
  });
}

/** Refuses with 406 what asks for something else than R4 JSON. `_format` outranks Accept. */
export const negotiateFormat: RequestHandler = (req, _res, next) => {
  const format = new URLSearchParams(req.url.split('?', 2)[1] ?? '').get('_format');
  const accept = req.get('accept');
  const acceptable =
    format !== null ? JSON_FORMATS.has(format.toLowerCase()) : accept === undefined || acceptsFhirJson(accept, EXPORT_FILE.test(req.url));
  if (!acceptable) {
    throw new ServiceError('ERR_NOT_ACCEPTABLE', 'Only FHIR R4 JSON is served: accept application/fhir+json.', {
      expression: 'http.accept',
    });
  }
  next();
};

export interface Preferences {
  readonly return?: 'minimal' | 'representation' | 'OperationOutcome';
  readonly lenient: boolean;
  /** RFC 7240 section 4.1. */
  readonly respondAsync: boolean;
}

/** Preferences that are not understood are ignored, as RFC 7240 section 2 asks. */
export function preferencesOf(req: Request): Preferences {
  const wanted = (req.get('prefer') ?? '')
    .split(/[,;]/)
    .map((part) => part.trim().replaceAll('"', '').toLowerCase())
    .filter((part) => part !== '');
  const returned = (['minimal', 'representation', 'OperationOutcome'] as const).find((kind) =>
    wanted.includes(`return=${kind.toLowerCase()}`),
  );
  return {
    lenient: wanted.includes('handling=lenient'),
    respondAsync: wanted.includes('respond-async'),
    ...(returned && { return: returned }),
  };
}

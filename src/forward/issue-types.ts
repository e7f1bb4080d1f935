/**
 * What may be repeated of an EHR's OperationOutcome: its issue codes, and only those that R4
 * knows. Everything else in there is another system's text and may hold patient data.
 */
import { isJsonObject, parseExactJson, type JsonObject } from '../core/json.ts';

/** HL7 FHIR R4 (4.0.1), ValueSet issue-type, required binding of OperationOutcome.issue.code. */
const ISSUE_TYPES: ReadonlySet<string> = new Set([
  ...['invalid', 'structure', 'required', 'value', 'invariant'],
  ...['security', 'login', 'unknown', 'expired', 'forbidden', 'suppressed'],
  ...['processing', 'not-supported', 'duplicate', 'multiple-matches', 'not-found', 'deleted', 'too-long', 'code-invalid'],
  ...['extension', 'too-costly', 'business-rule', 'conflict'],
  ...['transient', 'lock-error', 'no-store', 'exception', 'timeout', 'incomplete', 'throttled'],
  'informational',
]);

/** A long list says no more than a short one, and the reason is kept in a row. */
const MOST_CODES = 5;

/** Parses an answer's body; undefined when it is not the JSON of a resource. */
export function readResource(text: string | undefined): JsonObject | undefined {
  const parsed = text === undefined ? undefined : parseExactJson(text);
  return parsed?.ok === true && isJsonObject(parsed.value) && typeof parsed.value['resourceType'] === 'string' ? parsed.value : undefined;
}

/** The known issue codes of an OperationOutcome, each once, at most five. */
export function issueCodesOf(resource: JsonObject | undefined): readonly string[] {
  const codes = issuesOf(resource).map((issue) => issue['code']);
  return [...new Set(codes.filter((code) => typeof code === 'string' && ISSUE_TYPES.has(code)))].slice(0, MOST_CODES) as string[];
}

/** True when an issue points at an element of the Bundle that was sent. */
export function pointsIntoBundle(resource: JsonObject | undefined): boolean {
  return issuesOf(resource).some(
    ({ expression }) => Array.isArray(expression) && expression.some((path) => typeof path === 'string' && path.startsWith('Bundle.entry')),
  );
}

function issuesOf(resource: JsonObject | undefined): readonly JsonObject[] {
  const issues = resource?.['resourceType'] === 'OperationOutcome' ? resource['issue'] : undefined;
  return Array.isArray(issues) ? issues.filter(isJsonObject) : [];
}

/**
 * From parsed JSON to an Observation that is safe to decode, or the findings why it is none.
 * Structure first (HL7's schema), then the constraints of resource and profiles (FHIRPath).
 */
import { checkInvariants } from './conformance/invariants.ts';
import { checkStructure, type ServedType, type StructureFault } from './conformance/structure.ts';
import { finding, type Finding } from './finding.ts';
import { isJsonObject, toPlain, type JsonObject, type JsonProblem, type JsonValue } from './json.ts';
import type { ExactObservation } from './observation.ts';
import * as structure from './rules/structure.ts';

export type Conformed<Wire> =
  { readonly ok: true; readonly resource: Wire } | { readonly ok: false; readonly findings: readonly Finding[] };

/** Checks a parsed body as an Observation. Constraints are looked at only when the structure holds. */
export function conformObservation(parsed: JsonValue): Conformed<ExactObservation> {
  const result = conformResource(parsed, 'Observation');
  return result.ok ? { ok: true, resource: result.resource as unknown as ExactObservation } : result;
}

/** The same for any type that is taken in; the resource comes back as an exact JSON tree. */
export function conformResource(parsed: JsonValue, type: ServedType): Conformed<JsonObject> {
  if (!isJsonObject(parsed) || parsed['resourceType'] !== type) {
    const problem = `a resource of type ${type} was expected here, named in resourceType`;
    return { ok: false, findings: [finding(structure.fhirStructure, { problem }, { expression: type })] };
  }
  const plain = toPlain(parsed);
  const faults = checkStructure(type, plain);
  if (faults.length > 0) return { ok: false, findings: faults.map(structureFinding) };
  const broken = checkInvariants(type, plain).map(({ key, expression, problem }) =>
    finding(structure.fhirInvariant, { key, problem }, { expression }),
  );
  return broken.length > 0 ? { ok: false, findings: broken } : { ok: true, resource: parsed };
}

/** Of one entry of a Bundle, which may have a thousand: an answer must not be a multiple of what was sent. */
const MOST_OF_AN_ENTRY = 10;

/** The first findings, and how many are left out; for an entry of a Bundle. */
export function fewOf(findings: readonly Finding[]): readonly Finding[] {
  const left = findings.length - MOST_OF_AN_ENTRY;
  const [first] = findings;
  if (left <= 0 || first === undefined) return findings;
  const problem = `there are ${left} more faults in this entry, to be looked at when these are mended`;
  const root = /^[A-Za-z]+/.exec(first.expression)?.[0] ?? first.expression;
  return [...findings.slice(0, MOST_OF_AN_ENTRY), finding(structure.fhirStructure, { problem }, { expression: root })];
}

const RULE_OF_KIND = {
  structure: structure.fhirStructure,
  required: structure.fhirRequired,
  value: structure.fhirValue,
  'code-invalid': structure.fhirCode,
} as const satisfies Record<StructureFault['kind'], object>;

function structureFinding({ kind, expression, problem, missingOffset }: StructureFault): Finding {
  if (missingOffset) return finding(structure.timeWithoutOffset, {}, { expression });
  return finding(RULE_OF_KIND[kind], { problem: problem.replace(/\.$/, '') }, { expression });
}

/** A JSON text that could not be read, as a finding with its place. */
export function jsonFinding({ kind, reason, line, column }: JsonProblem): Finding {
  return finding(kind === 'number' ? structure.jsonNumber : structure.jsonUnreadable, {
    reason,
    line: String(line),
    column: String(column),
  });
}

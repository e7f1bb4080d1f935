/**
 * Is this JSON an R4 resource of its type? Judged by HL7's JSON Schema, cut down, tightened and
 * compiled beforehand (`scripts/compile-schema.ts`). What profiles and invariants ask comes later.
 */
import {
  checkBundle,
  checkDevice,
  checkDeviceMetric,
  checkObservation,
  checkOperationOutcome,
  checkParameters,
  checkPatient,
  checkProvenance,
  type SchemaCheck,
  type SchemaError,
} from './generated/r4-structure.js';
import { elementExpression, valueAt } from './element-path.ts';
import { describeSchemaError, type FaultKind } from './problems.ts';

const CHECKS = {
  Observation: checkObservation,
  Bundle: checkBundle,
  Patient: checkPatient,
  Device: checkDevice,
  DeviceMetric: checkDeviceMetric,
  OperationOutcome: checkOperationOutcome,
  Provenance: checkProvenance,
  Parameters: checkParameters,
} as const satisfies Record<string, SchemaCheck>;

/** Resource types whose structure is known here. */
export type ServedType = keyof typeof CHECKS;

export function isServedType(type: unknown): type is ServedType {
  return typeof type === 'string' && Object.hasOwn(CHECKS, type);
}

export interface StructureFault {
  readonly kind: FaultKind;
  /** FHIRPath from the type's root, choices written with ofType. */
  readonly expression: string;
  /** A clause to follow a colon, without full stop; never quotes what was sent. */
  readonly problem: string;
  /** A dateTime with a time of day that does not say in which zone. */
  readonly missingOffset?: true;
}

/** A megabyte of rubbish must not come back as ten megabytes of complaints. */
const MOST_FAULTS = 100;

/**
 * All faults of a resource, one an element, in the order in which the schema walks it.
 *
 * Resources in `contained` are checked by their own type when it is served here, otherwise only
 * for what FHIR's JSON never allows. Entries of a Bundle and of Parameters are not looked into
 * beyond `resourceType`: each is a resource of its own for the caller to check.
 *
 * @param plain the resource with ordinary numbers (`toPlain`)
 */
export function checkStructure(type: ServedType, plain: unknown): StructureFault[] {
  const faults = new Map<string, StructureFault>();
  collect(type, plain, type, faults);
  const all = [...faults.values()];
  if (all.length <= MOST_FAULTS) return all;
  const rest = `there are ${all.length - MOST_FAULTS} more faults of structure, to be looked at when these are mended`;
  return [...all.slice(0, MOST_FAULTS), { kind: 'structure', expression: type, problem: rest }];
}

function collect(type: ServedType, plain: unknown, root: string, faults: Map<string, StructureFault>): void {
  const report = (fault: StructureFault): void => {
    if (!faults.has(fault.expression)) faults.set(fault.expression, fault);
  };
  if (!isObject(plain)) {
    report({ kind: 'structure', expression: root, problem: 'a resource must be a JSON object' });
    return;
  }
  if (plain['resourceType'] !== type) {
    report({ kind: 'structure', expression: `${root}.resourceType`, problem: `this must be the text ${type}` });
    return;
  }

  const check = CHECKS[type];
  if (!check(plain)) for (const fault of toFaults(type, plain, root, check.errors ?? [])) report(fault);
  const contained: unknown = plain['contained'];
  if (Array.isArray(contained)) {
    contained.forEach((resource: unknown, index) => {
      const place = `${root}.contained[${index}]`;
      const inner = isObject(resource) ? resource['resourceType'] : undefined;
      if (isServedType(inner)) collect(inner, resource, place, faults);
      else reportEmptiness(resource, place, report);
    });
  }
}

function* toFaults(type: ServedType, plain: object, root: string, errors: readonly SchemaError[]): Generator<StructureFault> {
  // an empty object lacks everything: that it is empty says it all
  const emptied = new Set(errors.filter(({ keyword }) => keyword === 'hasContent').map(({ instancePath }) => instancePath));
  for (const error of errors) {
    if (emptied.has(error.instancePath) && error.keyword !== 'hasContent') continue;
    const described = describeSchemaError(error, valueAt(plain, error.instancePath));
    const expression = elementExpression(type, error.instancePath, described.child).replace(type, root);
    const { kind, problem, missingOffset } = described;
    yield { kind, expression, problem, ...(missingOffset && { missingOffset }) };
  }
}

/** FHIR's JSON has no empty objects, lists or texts, and null only to keep a place in a list. */
function reportEmptiness(value: unknown, expression: string, report: (fault: StructureFault) => void): void {
  const empty = (what: string): void =>
    report({ kind: 'structure', expression, problem: `${what} is not allowed in FHIR: leave the element out` });
  if (value === null) empty('a null');
  else if (value === '') empty('an empty text');
  else if (Array.isArray(value)) {
    if (value.length === 0) empty('an empty list');
    value.forEach((item, index) => item !== null && reportEmptiness(item, `${expression}[${index}]`, report));
  } else if (isObject(value)) {
    if (Object.keys(value).length === 0) empty('an empty object');
    for (const [key, item] of Object.entries(value)) {
      const isName = /^_?[A-Za-z]\w{0,63}$/.test(key);
      reportEmptiness(item, isName ? `${expression}.${key.replace(/^_/, '')}` : expression, report);
    }
  }
}

function isObject(value: unknown): value is Record<string, unknown> {
  return value !== null && typeof value === 'object' && !Array.isArray(value);
}

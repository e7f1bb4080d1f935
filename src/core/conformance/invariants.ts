/**
 * Runs the constraints of R4, of its vital-signs profiles and of our own profiles on a resource
 * that has passed the structure check. Expressions are compiled once, at start, with exact
 * decimals; anything but exactly [true] is a failure, so that a wrong expression passes nothing.
 */
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4';
import { LOINC_CODES, MDC_CODES, SYSTEM, type Quantified } from '../terminology.ts';
import { listOf, scopeOf } from './by-hand.ts';
import type { Constraint, Scope, Wire } from './constraint.ts';
import { walkElements } from './element-walk.ts';
import { PROFILE_CONSTRAINTS, type ProfileConstraint } from './profile-constraints.ts';
import { INVARIANTS } from './r4-constraints.ts';
import type { ServedType } from './structure.ts';

export { INVARIANTS } from './r4-constraints.ts';

export interface InvariantFault {
  readonly key: string;
  /** FHIRPath of the element, from the resource's root. */
  readonly expression: string;
  /** A clause to follow a colon, without full stop; quotes nothing that was sent. */
  readonly problem: string;
}

/** A constraint ready to run. */
interface Compiled {
  readonly constraint: Constraint;
  readonly holds: (element: Wire, scope: Scope) => boolean;
}

const MOST_FAULTS = 100;

const COMPILED = groupByContext(INVARIANTS.map(compile));
const COMPILED_OF_PROFILES = PROFILE_CONSTRAINTS.map((constraint) => ({ constraint, compiled: compile(constraint) }));

/** Types whose instances are Quantities, to qty-3. */
const QUANTITIES = new Set(['Age', 'Count', 'Distance', 'Duration', 'MoneyQuantity', 'SimpleQuantity']);
const NOT_DOMAIN = new Set<ServedType>(['Bundle', 'Parameters']);

/**
 * Constraints that do not hold, at most a hundred.
 *
 * Asks only what can fail; entries of a Bundle are resources of their own for the caller to check.
 * @param plain a resource of this type without faults of structure, with ordinary numbers
 * @param options.thorough evaluates every expression, even where it cannot fail: for tests
 */
export function checkInvariants(type: ServedType, plain: unknown, options: { readonly thorough?: boolean } = {}): InvariantFault[] {
  const resource = plain as Wire;
  const scope = scopeOf(resource);
  const faults: InvariantFault[] = [];
  const run = ({ constraint, holds }: Compiled, element: Wire, place: string): void => {
    if (!options.thorough && constraint.couldFail?.(element, scope) === false) return;
    faults.push(...judge(constraint, holds, element, scope, place));
  };

  if (!NOT_DOMAIN.has(type)) for (const compiled of COMPILED.get('DomainResource') ?? []) run(compiled, resource, type);
  walkElements(resource, ({ type: elementType, value, expression, contained }) => {
    const context = QUANTITIES.has(elementType) ? 'Quantity' : elementType;
    for (const compiled of COMPILED.get(context) ?? []) {
      if (!(contained && compiled.constraint.ofVitalSigns)) run(compiled, value as Wire, expression);
    }
    return faults.length < MOST_FAULTS;
  });
  if (type === 'Observation') for (const compiled of ownConstraints(resource)) run(compiled, resource, type);
  return faults.slice(0, MOST_FAULTS);
}

function judge(constraint: Constraint, holds: Compiled['holds'], element: Wire, scope: Scope, place: string): InvariantFault[] {
  const { key, human, about, byHand } = constraint;
  const fault = (below: string | undefined): InvariantFault => ({
    key,
    expression: below === undefined ? place : `${place}.${below}`,
    problem: human,
  });
  if (byHand) return byHand(element, scope).map(fault);
  return holds(element, scope) ? [] : [fault(about)];
}

function compile(constraint: Constraint): Compiled {
  const { on, expression } = constraint;
  const path = isResourceType(on) ? expression : { base: on, expression };
  const evaluate = fhirpath.compile(path, r4, { preciseMath: true });
  const holds = (element: Wire, { resource }: Scope): boolean => {
    const result: unknown = evaluate(element, { resource, rootResource: resource });
    return Array.isArray(result) && result.length === 1 && result[0] === true;
  };
  return { constraint, holds };
}

function isResourceType(type: string): boolean {
  const parent = (r4.type2Parent as Record<string, string>)[type];
  return type === 'DomainResource' || parent === 'DomainResource' || parent === 'Resource';
}

function groupByContext(all: readonly Compiled[]): ReadonlyMap<string, readonly Compiled[]> {
  const groups = new Map<string, Compiled[]>();
  for (const compiled of all) {
    const { on } = compiled.constraint;
    groups.set(on, [...(groups.get(on) ?? []), compiled]);
  }
  return groups;
}

function ownConstraints(observation: Wire): Compiled[] {
  const measures = measuresOf(observation);
  return COMPILED_OF_PROFILES.filter(({ constraint }: { readonly constraint: ProfileConstraint }) =>
    constraint.of.some((measure) => measures.has(measure)),
  ).map(({ compiled }) => compiled);
}

const MEASURE_OF = new Map<string, Quantified>([
  ...LOINC_CODES.map(({ code, of }) => [`${SYSTEM.loinc}|${code}`, of] as const),
  ...MDC_CODES.map(({ code, of }) => [`${SYSTEM.mdc}|${code}`, of] as const),
]);

function measuresOf({ code }: Wire): Set<Quantified> {
  const codings = listOf((code as Wire | undefined)?.['coding']);
  return new Set(codings.flatMap((coding) => MEASURE_OF.get(`${String(coding['system'])}|${String(coding['code'])}`) ?? []));
}

/**
 * Walks a plain resource and says of every element which R4 type or element path it is, so that
 * constraints on data types are found wherever the type is used, in contained resources too.
 */
import r4 from 'fhirpath/fhir-context/r4';
import type { Wire } from './constraint.ts';

const TYPE_OF = r4.path2Type as Readonly<Record<string, string>>;
const PARENT_OF = r4.type2Parent as Readonly<Record<string, string>>;
const CHOICES_OF = r4.choiceTypePaths as Readonly<Record<string, readonly string[]>>;
const ELSEWHERE = r4.pathsDefinedElsewhere as Readonly<Record<string, string>>;

export interface Visit {
  /** `Quantity`, `uri`, or the path of an element defined in place: `Observation.component`. */
  readonly type: string;
  readonly value: unknown;
  /** FHIRPath from the outermost resource. */
  readonly expression: string;
  /** Lies in a contained resource. */
  readonly contained: boolean;
}

/** Returns false to end the whole walk. */
export type Visitor = (at: Visit) => boolean;

/**
 * Calls `visit` for the resource and everything below it, entries of Bundles and Parameters
 * excepted. Primitives are visited too, by their type.
 */
export function walkElements(resource: Wire, visit: Visitor): void {
  walk({ type: String(resource['resourceType']), value: resource, expression: String(resource['resourceType']), contained: false }, visit);
}

function walk(at: Visit, visit: Visitor): boolean {
  if (!visit(at)) return false;
  if (at.value === null || typeof at.value !== 'object') return true;
  for (const [key, value] of Object.entries(at.value)) {
    const step = stepInto(at.type, key);
    if (step === undefined) continue;
    const expression = `${at.expression}.${step.name}`;
    if (!Array.isArray(value)) {
      if (!enter(at, step.type, value, expression, visit)) return false;
    } else {
      for (let index = 0; index < value.length; index += 1) {
        if (!enter(at, step.type, value[index], `${expression}[${index}]`, visit)) return false;
      }
    }
  }
  return true;
}

function enter(parent: Visit, type: string, value: unknown, expression: string, visit: Visitor): boolean {
  if (value === undefined || value === null) return true;
  if (type !== 'Resource') return walk({ type, value, expression, contained: parent.contained }, visit);
  if (!expression.slice(0, expression.lastIndexOf('[')).endsWith('.contained')) return true;
  return walk({ type: String((value as Wire)['resourceType']), value, expression, contained: true }, visit);
}

interface Step {
  /** As FHIRPath names it. */
  readonly name: string;
  readonly type: string;
}

/** Steps taken before. Holds what R4 defines only, so it cannot grow with what is sent. */
const STEPS = new Map<string, Step>();

/** Undefined for `resourceType` and for names that R4 does not have there. */
function stepInto(parent: string, key: string): Step | undefined {
  if (key.startsWith('_')) return { name: key.slice(1), type: 'Element' };
  if (key === 'extension' || key === 'modifierExtension') return { name: key, type: 'Extension' };
  const known = STEPS.get(`${parent}.${key}`);
  if (known) return known;
  for (let type: string | undefined = parent; type !== undefined; type = PARENT_OF[type]) {
    const step = choiceStep(type, key) ?? plainStep(type, key);
    if (!step) continue;
    STEPS.set(`${parent}.${key}`, step);
    return step;
  }
  return undefined;
}

function plainStep(parent: string, key: string): Step | undefined {
  const path = ELSEWHERE[`${parent}.${key}`] ?? `${parent}.${key}`;
  const type = TYPE_OF[path];
  return type === undefined ? undefined : { name: key, type: type === 'BackboneElement' || type === 'Element' ? path : type };
}

const CAPITAL = /[A-Z]/g;

function choiceStep(parent: string, key: string): Step | undefined {
  for (const { index } of key.matchAll(CAPITAL)) {
    const suffix = key.slice(index);
    const base = key.slice(0, index);
    if (!CHOICES_OF[`${parent}.${base}`]?.includes(suffix)) continue;
    const primitive = suffix.charAt(0).toLowerCase() + suffix.slice(1);
    const type = PARENT_OF[suffix] === undefined ? primitive : suffix;
    return { name: `${base}.ofType(${type})`, type };
  }
  return undefined;
}

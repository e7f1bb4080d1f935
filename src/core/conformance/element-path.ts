/**
 * From the place of a fault in JSON (`/component/1/valueQuantity/value`) to the FHIRPath that
 * people and OperationOutcomes use (`Observation.component[1].value.ofType(Quantity).value`).
 */
import { CHOICES, PLAIN_NAMES } from './generated/r4-structure.js';

/** Names that may be repeated in an answer; anything else could carry whatever was sent. */
const ELEMENT_NAME = /^_?[A-Za-z][A-Za-z0-9]{0,63}$/;

export function isElementName(name: string): boolean {
  return ELEMENT_NAME.test(name);
}

/** One step from an element at `wirePath` (names only, no indexes) to its property `name`. */
export function stepExpression(wirePath: string, name: string): string {
  const element = name.startsWith('_') ? name.slice(1) : name;
  if (!Object.hasOwn(CHOICES, element) || PLAIN_NAMES.includes(`${wirePath}.${element}`)) return element;
  const [base, type] = CHOICES[element] as readonly [string, string];
  return `${base}.ofType(${type})`;
}

/**
 * @param pointer JSON pointer within the resource, '' for the resource itself
 * @param child a further property below it
 */
export function elementExpression(type: string, pointer: string, child?: string): string {
  const names = pointer.split('/').slice(1).map(unescape);
  let expression = type;
  let wirePath = type;
  for (const name of child === undefined ? names : [...names, child]) {
    if (/^\d+$/.test(name)) expression += `[${name}]`;
    else {
      // `div` is an operator of FHIRPath, so the element of a Narrative is quoted
      expression += name === 'div' ? '.`div`' : `.${stepExpression(wirePath, name)}`;
      wirePath += `.${name}`;
    }
  }
  return expression;
}

/** What stands at a JSON pointer; undefined when nothing does. */
export function valueAt(root: unknown, pointer: string): unknown {
  let value = root;
  for (const name of pointer.split('/').slice(1).map(unescape)) {
    if (value === null || typeof value !== 'object' || !Object.hasOwn(value, name)) return undefined;
    value = (value as Record<string, unknown>)[name];
  }
  return value;
}

function unescape(name: string): string {
  return name.replaceAll('~1', '/').replaceAll('~0', '~');
}

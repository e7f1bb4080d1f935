/**
 * Where an element of a resource stands in the JSON text that it was written in: from a FHIRPath
 * expression, as findings carry one, to line and column. Knows no file and no page, so that the
 * command line and pages can point alike.
 */
import { parseTree, type Node } from 'jsonc-parser';

/**
 * A span of a text. `line` and `column` count from 1 and name its first character; `endLine` and
 * `endColumn` name the place just behind its last one. A line ends with CR LF, LF or CR.
 *
 * A column counts UTF-16 code units, as JavaScript, the Language Server Protocol and the problems of
 * `parseExactJson` do: a character outside the Basic Multilingual Plane takes two, a tab takes one.
 * A byte order mark at the beginning takes none; `offset` counts code units from the very beginning
 * of the text, that mark included, so that `text.slice(offset, offset + length)` is the element.
 */
export interface Place {
  readonly line: number;
  readonly column: number;
  readonly endLine: number;
  readonly endColumn: number;
  readonly offset: number;
  readonly length: number;
  /** False when the element is not in the text, and this is the nearest one above it that is. */
  readonly isElement: boolean;
}

/** Finds the value of an element; see {@link placesIn}. */
export type PlaceFinder = (expression: string) => Place;

/** The place of one element; for several of one text see {@link placesIn}. */
export function placeInText(text: string, expression: string): Place {
  return placesIn(text)(expression);
}

/**
 * Reads a text once and finds any number of elements in it. Never throws for a text that
 * `parseExactJson` takes; a text that is no JSON is followed as far as it can be read.
 *
 * What it understands of FHIRPath (HL7 FHIRPath 2.0.0, and R4's `ofType` for `value[x]`): a path of
 * members, with or without the type at its root; `[n]`, `first()`, `last()`; `ofType(T)`, `as(T)`;
 * `extension('url')` and `where(member = 'text')`. A member without an index means the first item
 * that has it. A choice element may be named by its FHIRPath name (`value`) or as it is written
 * (`valueQuantity`), and what is said about a primitive is found in its `_` sibling (R4, JSON
 * format). Whatever lies beyond that, and `http.…`, gives the nearest place above.
 */
export function placesIn(text: string): PlaceFinder {
  const start = text.startsWith('\uFEFF') ? 1 : 0;
  const root = parseTree(text.slice(start));
  const lineStarts = lineStartsOf(text, start);
  return (expression) => {
    const { node, isElement } = root === undefined ? { node: undefined, isElement: false } : walk(root, stepsOf(expression));
    const offset = start + (node?.offset ?? 0);
    const length = node?.length ?? 0;
    const [from, to] = [pointAt(offset, lineStarts), pointAt(offset + length, lineStarts)];
    return { ...from, endLine: to.line, endColumn: to.column, offset, length, isElement };
  };
}

function lineStartsOf(text: string, start: number): readonly number[] {
  return [start, ...[...text.matchAll(/\r\n|\n|\r/g)].map(({ index, 0: ending }) => index + ending.length)];
}

function pointAt(offset: number, lineStarts: readonly number[]): { line: number; column: number } {
  let [low, high] = [0, lineStarts.length - 1];
  while (low < high) {
    const middle = Math.ceil((low + high) / 2);
    if ((lineStarts[middle] ?? 0) <= offset) low = middle;
    else high = middle - 1;
  }
  return { line: low + 1, column: offset - (lineStarts[low] ?? 0) + 1 };
}

type Step =
  | { readonly kind: 'member'; readonly name: string }
  /** Negative counts from the end. */
  | { readonly kind: 'index'; readonly at: number }
  | { readonly kind: 'type'; readonly name: string }
  | { readonly kind: 'where'; readonly member: string; readonly equals: string }
  | { readonly kind: 'beyond' };

const STEP = /^(?:\.?(?:([A-Za-z_]\w*)|`([^`]+)`)(?:\(((?:'(?:[^'\\]|\\.)*'|[^()'])*)\))?|\[(\d{1,9})\])/;

function stepsOf(expression: string): readonly Step[] {
  if (expression.startsWith('http.')) return [{ kind: 'beyond' }];
  const steps: Step[] = [];
  for (let rest = expression.trim(); rest !== '';) {
    const match = STEP.exec(rest);
    if (match === null) return [...steps, { kind: 'beyond' }];
    const [whole, name, quoted, args, index] = match;
    rest = rest.slice(whole.length);
    if (index !== undefined) steps.push({ kind: 'index', at: Number(index) });
    else if (args !== undefined && name !== undefined) steps.push(...callSteps(name, args.trim()));
    // only a type begins with a capital, and only at the root
    else if (steps.length > 0 || quoted !== undefined || !/^[A-Z]/.test(name ?? ''))
      steps.push({ kind: 'member', name: name ?? quoted ?? '' });
    else if (rest !== '' && !/^[.[]/.test(rest)) return [{ kind: 'beyond' }];
  }
  return steps;
}

function callSteps(name: string, args: string): readonly Step[] {
  if (name === 'first' && args === '') return [{ kind: 'index', at: 0 }];
  if (name === 'last' && args === '') return [{ kind: 'index', at: -1 }];
  if ((name === 'ofType' || name === 'as') && /^(?:FHIR\.)?\w+$/.test(args)) return [{ kind: 'type', name: args.replace('FHIR.', '') }];
  const [, url] = /^'([^'\\]*)'$/.exec(args) ?? [];
  if (name === 'extension' && url !== undefined) {
    return [
      { kind: 'member', name: 'extension' },
      { kind: 'where', member: 'url', equals: url },
    ];
  }
  const [, member, equals] = /^(\w+)\s*=\s*'([^'\\]*)'$/.exec(args) ?? [];
  return name === 'where' && member !== undefined && equals !== undefined ? [{ kind: 'where', member, equals }] : [{ kind: 'beyond' }];
}

interface Reached {
  readonly node: Node;
  readonly isElement: boolean;
}

function walk(root: Node, steps: readonly Step[]): Reached {
  let node = root;
  for (const [index, step] of steps.entries()) {
    const next = taken(node, step, steps[index + 1]);
    if (next === undefined) return { node, isElement: false };
    node = next;
  }
  return { node, isElement: true };
}

function taken(node: Node, step: Step, following: Step | undefined): Node | undefined {
  switch (step.kind) {
    case 'member':
      return itemsOf(node)
        .map((item) => memberOf(item, step.name, following))
        .find((found) => found !== undefined);
    case 'index':
      return itemsOf(node).at(step.at);
    case 'where':
      return itemsOf(node).find((item) => propertyOf(item, step.member)?.value === step.equals);
    case 'type':
      return isOfType(node, step.name) ? node : undefined;
    case 'beyond':
      return undefined;
  }
}

/** A list is its items; anything else is a collection of one (FHIRPath 2.0.0, section 3). */
function itemsOf(node: Node): readonly Node[] {
  return node.type === 'array' ? (node.children ?? []) : [node];
}

function memberOf(item: Node, name: string, following: Step | undefined): Node | undefined {
  const written = [name, ...choicesOf(item, name, following)].find((key) => propertyOf(item, key) !== undefined);
  const value = written === undefined ? undefined : propertyOf(item, written);
  const about = propertyOf(item, `_${written ?? name}`);
  const asksAbout = following?.kind === 'member' && (following.name === 'extension' || following.name === 'id');
  const isPrimitive = value === undefined || itemsOf(value).every(({ type }) => type !== 'object');
  return about !== undefined && (value === undefined || (asksAbout && isPrimitive)) ? about : value;
}

/** The members by which a choice element is written, the type that is asked for first. One that repeats (`referenceRange`) is no choice. */
function choicesOf(item: Node, name: string, following: Step | undefined): string[] {
  const written = (item.children ?? []).flatMap(({ children }) => {
    const key: unknown = children?.[0]?.value;
    const isChoice = typeof key === 'string' && key.startsWith(name) && CHOICE_TYPES.has(key.slice(name.length));
    return isChoice && children?.[1]?.type !== 'array' ? [key] : [];
  });
  const wanted = following?.kind === 'type' ? name + capitalised(following.name) : '';
  return written.includes(wanted) ? [wanted] : written;
}

/** By the name under which it is written, or as a resource of that type. */
function isOfType(node: Node, type: string): boolean {
  const key: unknown = node.parent?.type === 'property' ? node.parent.children?.[0]?.value : undefined;
  if (typeof key === 'string' && key.endsWith(capitalised(type)) && key.length > type.length) return true;
  return propertyOf(node, 'resourceType')?.value === type;
}

function propertyOf(item: Node, key: string): Node | undefined {
  if (item.type !== 'object') return undefined;
  return item.children?.find(({ children }) => children?.[0]?.value === key)?.children?.[1];
}

function capitalised(type: string): string {
  return type.charAt(0).toUpperCase() + type.slice(1);
}

/** Types that a `[x]` may have, as their names are written behind it (HL7 FHIR R4 4.0.1, Datatypes, open type element). */
const CHOICE_TYPES: ReadonlySet<string> = new Set([
  ...['Base64Binary', 'Boolean', 'Canonical', 'Code', 'Date', 'DateTime', 'Decimal', 'Id', 'Instant', 'Integer', 'Markdown', 'Oid'],
  ...['PositiveInt', 'String', 'Time', 'UnsignedInt', 'Uri', 'Url', 'Uuid', 'Address', 'Age', 'Annotation', 'Attachment'],
  ...['CodeableConcept', 'Coding', 'ContactPoint', 'Count', 'Distance', 'Duration', 'HumanName', 'Identifier', 'Money', 'Period'],
  ...['Quantity', 'Range', 'Ratio', 'Reference', 'SampledData', 'Signature', 'Timing', 'ContactDetail', 'Contributor'],
  ...['DataRequirement', 'Expression', 'ParameterDefinition', 'RelatedArtifact', 'TriggerDefinition', 'UsageContext', 'Dosage', 'Meta'],
]);

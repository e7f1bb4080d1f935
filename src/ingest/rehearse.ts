/**
 * What would come of a resource or of a whole Bundle, found out by doing it: the real use case, in one
 * unit of work that is taken back at its end. So entries are judged with those before them, and what
 * they would have derived is there to be looked at; nothing of it is ever seen by anybody else.
 */
import type * as fhir4 from 'fhir/r4.js';
import { isJsonObject, type Exact, type JsonObject, type JsonValue } from '../core/json.ts';
import type { Store, StoredResource, StoreReader, StoreWriter } from '../ports.ts';
import type { BundleAnswer, IntakeAnswer } from './answer.ts';
import { at } from './entry.ts';
import { treeOf } from './stored-tree.ts';

/** The part of a store that the use case works on. */
export type WorkedStore = Pick<Store, 'read' | 'write'>;

/** The use case, as far as it is rehearsed. */
interface Engine {
  create(parsed: JsonValue, text: string): Promise<IntakeAnswer>;
  bundle(parsed: JsonObject, text: string): Promise<BundleAnswer>;
}

/** What would be answered for one resource, or for a Bundle that is refused as a whole. */
export interface RehearsedPart {
  /** FHIRPath of the resource from the root of what was sent: `Observation`, `Bundle.entry[3].resource`. */
  readonly root: string;
  /** HTTP status, of the entry's response in a Bundle. */
  readonly status: number;
  /** Expressions begin at the root of what was sent. */
  readonly outcome: fhir4.OperationOutcome;
  /** The resource as it would be served, or as it is there already. */
  readonly stored?: JsonObject;
  /** Observations that would rest on it: BMI, and what else the policy has derived. */
  readonly derived: readonly JsonObject[];
}

export interface Rehearsal {
  /** HTTP status of the whole answer. */
  readonly status: number;
  /** In the order in which they were sent. */
  readonly parts: readonly RehearsedPart[];
}

/** A height may belong to more of them than anybody reads. */
const MOST_DERIVED = 100;

/**
 * @param engineOn the use case on a store that takes everything back
 * @param text the body as it was received
 * @throws ServiceError as the real call does; StoreUnavailable
 */
export function rehearse(
  store: WorkedStore,
  engineOn: (store: WorkedStore) => Engine,
  parsed: JsonValue,
  text: string,
): Promise<Rehearsal> {
  return takenBack(store, async (writer) => {
    const engine = engineOn({ read: writer, write: oneByOne(writer) });
    const answered = isBundle(parsed) ? partsOfBundle(await engine.bundle(parsed, text)) : partOf(await engine.create(parsed, text));
    const parts: Omit<RehearsedPart, 'derived'>[] = [];
    for (const { place, ...part } of answered.parts) {
      const stored = part.status < 400 && place !== undefined ? await writer.current(place.type, place.id) : undefined;
      parts.push({ ...part, ...(stored && { stored: treeOf(stored) }) });
    }
    return { status: answered.status, parts: withDerived(parts, await derivedFrom(parts, writer)) };
  });
}

function isBundle(parsed: JsonValue): parsed is JsonObject {
  return isJsonObject(parsed) && parsed['resourceType'] === 'Bundle';
}

/** Carries what was found out past the end of the unit of work that it is thrown from. */
class Done<Result> extends Error {
  readonly result: Result;
  constructor(result: Result) {
    super('what was rehearsed is taken back');
    this.result = result;
  }
}

async function takenBack<Result>(store: WorkedStore, act: (writer: StoreWriter) => Promise<Result>): Promise<Result> {
  try {
    return await store.write<never>(async (writer) => {
      throw new Done(await act(writer));
    });
  } catch (error) {
    if (error instanceof Done) return (error as Done<Result>).result;
    throw error;
  }
}

/**
 * Units of work inside the one that is open: one after another, as a store promises. A unit that fails
 * is not taken back before the others: none of this use case has written anything by then that a later
 * one reads, but for a transaction, which ends with that.
 */
function oneByOne(writer: StoreWriter): WorkedStore['write'] {
  let last: Promise<unknown> = Promise.resolve();
  return (work) => {
    const next = last.then(() => work(writer));
    last = next.catch(() => undefined);
    return next;
  };
}

interface Answered {
  readonly status: number;
  readonly parts: readonly (Omit<RehearsedPart, 'stored' | 'derived'> & { readonly place?: Pick<StoredResource, 'type' | 'id'> })[];
}

function partOf({ status, outcome, resource }: IntakeAnswer): Answered {
  return { status, parts: [{ root: 'Observation', status, outcome, ...(resource && { place: resource }) }] };
}

function partsOfBundle({ status, body }: BundleAnswer): Answered {
  if (body['resourceType'] !== 'Bundle')
    return { status, parts: [{ root: 'Bundle', status, outcome: body as unknown as fhir4.OperationOutcome }] };
  const { entry = [] } = body as unknown as Exact<fhir4.Bundle>;
  const parts = entry.map(({ response }, index) => {
    const [, type, id] = /^(\w+)\/([^/]+)\//.exec(response?.location ?? '') ?? [];
    const place = type !== undefined && id !== undefined && { type: type as StoredResource['type'], id };
    return {
      root: at(index, 'resource').expression,
      status: Number.parseInt(response?.status ?? '', 10),
      outcome: response?.outcome as fhir4.OperationOutcome,
      ...(place && { place }),
    };
  });
  return { status, parts };
}

async function derivedFrom(parts: readonly Pick<RehearsedPart, 'stored'>[], reader: StoreReader): Promise<readonly JsonObject[]> {
  const ids = parts.flatMap(({ stored }) => (stored?.['resourceType'] === 'Observation' ? [String(stored['id'])] : []));
  if (ids.length === 0) return [];
  const { resources } = await reader.searchObservations({
    derivedFrom: ids,
    includeHeld: true,
    sort: [],
    count: MOST_DERIVED,
  });
  return resources.map(treeOf);
}

/** Of several readings that one rests on, it is told of the one that it names first: of a BMI, the weight. */
function withDerived(parts: readonly Omit<RehearsedPart, 'derived'>[], derived: readonly JsonObject[]): readonly RehearsedPart[] {
  const partOf = new Map(
    derived.map((one) => {
      const [source] = sourcesOf(one).flatMap((id) => parts.find(({ stored }) => stored?.['id'] === id) ?? []);
      return [one, source] as const;
    }),
  );
  return parts.map((part) => ({ ...part, derived: derived.filter((one) => partOf.get(one) === part) }));
}

function sourcesOf(derived: JsonObject): readonly string[] {
  const { derivedFrom: sources = [] } = derived as unknown as Exact<fhir4.Observation>;
  return sources.map(({ reference }) => reference?.replace('Observation/', '') ?? '');
}

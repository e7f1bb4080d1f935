/**
 * Posted Bundles: a batch, whose entries succeed or fail alone, or a transaction, all or nothing
 * (HL7 FHIR R4 4.0.1, RESTful API, batch/transaction).
 */
import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Call } from '../caller.ts';
import { conditionalSubject, withResolvedReferences } from '../core/bundle.ts';
import { conformResource } from '../core/conform.ts';
import type { ExactObservation } from '../core/observation.ts';
import { toOperationOutcome, type Finding } from '../core/finding.ts';
import { stringifyExact, type JsonObject, type JsonValue } from '../core/json.ts';
import { ServiceError, toServiceOutcome } from '../errors.ts';
import { recorded, type Undertaking } from './audit.ts';
import { requireInteraction } from '../permission.ts';
import { refused, type BundleAnswer, type Taken } from './answer.ts';
import { StoreUnavailable, type Store, type StoreWriter } from '../ports.ts';
import { at, faultInEntry, statusLine, toEntry, toResponse, TURNS, turnOf, type Entry } from './entry.ts';
import { withShapes, type ShapedEntry } from './entry-shape.ts';
import { correctReading, createReading, refuseOtherId, type ReadingWork } from './reading.ts';
import { parseIfNoneExist } from './if-none-exist.ts';
import { putRegistry } from './registry.ts';
import { checkMaySend } from './senders.ts';

/** More entries than this hold up everybody else; send several Bundles. */
export const MOST_ENTRIES = 1000;

export interface BundleWork extends ReadingWork {
  /** The call that is served; absent for what the service does of its own. */
  readonly call?: Call;
  readonly store: Pick<Store, 'read' | 'write'>;
  readonly newId: () => string;
  readonly onStored: () => void;
}

const NOT_NOW = 'The store cannot take this entry now. It was not stored; send it again.';

/** A transaction of this many entries lets others, such as a health check, have a turn. */
const ENTRIES_A_TURN = 50;

export async function takeBundle(parsed: JsonObject, text: string, work: BundleWork): Promise<BundleAnswer> {
  const raw = parsed['entry'];
  if (Array.isArray(raw) && raw.length > MOST_ENTRIES)
    throw new ServiceError('ERR_TOO_LARGE', `A Bundle may have at most ${MOST_ENTRIES} entries; send several.`, {
      expression: 'Bundle.entry',
    });
  const conformed = conformResource(parsed, 'Bundle');
  if (!conformed.ok && parsed['type'] === 'batch' && hasFaultyEntry(parsed)) return takeBatch(raw as JsonValue[], readEntry, work);
  if (!conformed.ok) {
    const { outcome, status, findings } = refused(conformed.findings, work);
    await keepRefusal({ interaction: parsed['type'] === 'transaction' ? 'transaction' : 'batch', text, sent: parsed }, findings, work);
    work.call?.noteAudited?.();
    return { status, body: outcome as unknown as JsonObject };
  }
  const type = conformed.resource['type'];
  const entries = (raw ?? []) as JsonObject[];
  if (type === 'batch') return takeBatch(entries, toEntry, work);
  if (type === 'transaction') return takeTransaction(entries, { interaction: 'transaction', text, sent: parsed }, work);
  throw new ServiceError('ERR_NOT_SUPPORTED', 'Send a Bundle of type batch or transaction.', { expression: 'Bundle.type' });
}

/** Is it an entry that is at fault, and not the Bundle around it? Entries of a batch fail alone. */
function hasFaultyEntry(bundle: JsonObject): boolean {
  const entries = bundle['entry'];
  if (!Array.isArray(entries) || entries.length === 0) return false;
  const { entry: _entry, ...around } = bundle;
  return conformResource(around, 'Bundle').ok && entries.some((entry) => !conformEntry(entry).ok);
}

function conformEntry(entry: JsonValue): ReturnType<typeof conformResource> {
  return conformResource({ resourceType: 'Bundle', type: 'batch', entry: [entry] }, 'Bundle');
}

/** The entry, or the findings about its own shape; throws ServiceError for what is not served. */
function readEntry(raw: JsonValue, index: number): Entry | readonly Finding[] {
  const conformed = conformEntry(raw);
  if (conformed.ok) return toEntry(raw as JsonObject, index);
  return conformed.findings.map((one) => ({ ...one, expression: one.expression.replace('Bundle.entry[0]', `Bundle.entry[${index}]`) }));
}

/** An entry needs what a call of its own would need. @throws ServiceError ERR_FORBIDDEN */
function checkPermission({ request, index }: Entry, { call }: BundleWork): void {
  if (call === undefined) return;
  const { expression } = at(index, 'request');
  if (request.kind === 'registry') requireInteraction(call.caller, request.type, 'u', expression);
  else {
    requireInteraction(call.caller, 'Observation', request.kind === 'create' ? 'c' : 'u', expression);
    checkMaySend({ call }, at(index, 'resource.device').expression);
  }
}

async function takeBatch<Raw extends JsonValue>(
  raw: readonly Raw[],
  read: (raw: Raw, index: number) => Entry | readonly Finding[],
  work: BundleWork,
): Promise<BundleAnswer> {
  const responses = new Array<JsonObject>(raw.length);
  const entries: Entry[] = [];
  await Promise.all(
    raw.map(async (one, index) => {
      try {
        const entry = read(one, index);
        if ('request' in entry) {
          checkPermission(entry, work);
          entries.push(entry);
          return;
        }
        await keepRefusal({ interaction: 'batch', text: stringifyExact(one) }, entry, work);
        responses[index] = toResponse(refused(entry, work));
      } catch (error) {
        responses[index] = errorResponse(error);
      }
    }),
  );
  const shaped = await withShapes(entries);
  for (const turn of TURNS) {
    // all of a turn are handed to the store at once: they share commits and keep their order
    await Promise.all(
      shaped
        .filter((entry) => turnOf(entry) === turn)
        .map(async (entry) => {
          responses[entry.index] = await alone(entry, work).catch(errorResponse);
        }),
    );
  }
  return { status: 200, body: { resourceType: 'Bundle', type: 'batch-response', entry: responses.map((response) => ({ response })) } };
}

async function alone(entry: ShapedEntry, work: BundleWork): Promise<JsonObject> {
  const { request, resource } = entry;
  const undertaking: Undertaking =
    request.kind === 'registry'
      ? { interaction: 'update', text: stringifyExact(resource), concerns: [`${request.type}/${request.id}`] }
      : {
          interaction: request.kind === 'create' ? 'create' : 'update',
          text: stringifyExact(resource),
          sent: resource,
          ...(request.kind === 'correct' && { concerns: [`Observation/${request.id}`] }),
        };
  const answer = await work.store.write((writer) => recorded(writer, undertaking, work, () => serve(writer, entry, work.newId(), work)));
  if (answer.resource) work.onStored();
  return toResponse(rootedAt(answer, entry.index, work));
}

function errorResponse(cause: unknown): JsonObject {
  // others of the batch may be stored already, so this entry alone says that it is not
  const error = cause instanceof StoreUnavailable ? new ServiceError('ERR_STORE_UNAVAILABLE', NOT_NOW, { cause }) : cause;
  if (!(error instanceof ServiceError)) throw error;
  return { status: statusLine(error.row.status), outcome: toServiceOutcome(error) as unknown as JsonObject };
}

async function keepRefusal(undertaking: Undertaking, findings: readonly Finding[], work: BundleWork): Promise<void> {
  const answer = { verdict: 'refused' as const, findings };
  await work.store.write((writer) => recorded(writer, undertaking, work, () => Promise.resolve(answer)));
}

interface Failure {
  readonly answer: Taken;
  readonly index: number;
}

/** Thrown to undo a transaction's unit of work; holds what the entries that failed have to say. */
class TransactionFailed extends Error {
  readonly failures: readonly Failure[];
  constructor(failures: readonly Failure[]) {
    super('entries of the transaction were refused');
    this.failures = failures;
  }
}

async function takeTransaction(raw: readonly JsonObject[], undertaking: Undertaking, work: BundleWork): Promise<BundleAnswer> {
  const entries = raw.map(toEntry);
  for (const entry of entries) checkPermission(entry, work);
  refuseSameTargets(entries);
  const shaped = await withShapes(entries);
  try {
    const { answers } = await work.store.write((writer) =>
      recorded(writer, undertaking, work, async () => {
        const served = await serveAll(writer, shaped, work);
        return { answers: served, resources: served.flatMap(({ resource }) => resource ?? []) };
      }),
    );
    work.call?.noteAudited?.();
    if (answers.length > 0) work.onStored();
    const entry = answers.map((answer, index) => ({ response: toResponse(rootedAt(answer, index, work)) }));
    return { status: 200, body: { resourceType: 'Bundle', type: 'transaction-response', entry } };
  } catch (error) {
    if (!(error instanceof TransactionFailed)) throw error;
    const failures = briefly([...error.failures].sort((one, other) => one.index - other.index));
    await keepRefusal(
      undertaking,
      failures.flatMap(({ answer }) => answer.findings),
      work,
    );
    work.call?.noteAudited?.();
    const outcomes = failures.map(({ answer, index }) => rootedAt(answer, index, work).outcome);
    const [first] = outcomes;
    const body = { ...first, issue: outcomes.flatMap(({ issue }) => issue) };
    return { status: failures[0]?.answer.status ?? 422, body: body as unknown as JsonObject };
  }
}

/** Every failed entry has its say; when all of them have much to say, only with its first finding. */
function briefly(failures: readonly Failure[]): readonly Failure[] {
  const count = failures.reduce((sum, { answer }) => sum + answer.findings.length, 0);
  if (count <= MOST_ENTRIES) return failures;
  return failures.map(({ answer, index }) => ({ index, answer: { ...answer, findings: answer.findings.slice(0, 1) } }));
}

async function serveAll(writer: StoreWriter, entries: readonly ShapedEntry[], work: BundleWork): Promise<Taken[]> {
  const ids = entries.map(() => work.newId());
  const places = new Map(entries.flatMap((entry) => placeOf(entry, ids[entry.index] as string)));
  const answers = new Array<Taken>(entries.length);
  const failures: Failure[] = [];
  let served = 0;
  for (const turn of TURNS) {
    for (const entry of entries.filter((one) => turnOf(one) === turn)) {
      const resolved = {
        ...entry,
        resource: await withResolvedSubject(writer, withResolvedReferences(entry.resource, places), entry.index),
      };
      const answer = await serve(writer, resolved, ids[entry.index] as string, work);
      if (answer.verdict === 'refused') failures.push({ answer, index: entry.index });
      // a resend keeps its earlier place, so later entries must point there
      if (entry.fullUrl !== undefined && answer.resource) places.set(entry.fullUrl, `${answer.resource.type}/${answer.resource.id}`);
      answers[entry.index] = answer;
      if ((served += 1) % ENTRIES_A_TURN === 0) await nextTurn();
    }
  }
  if (failures.length > 0) throw new TransactionFailed(failures);
  return answers;
}

function placeOf({ fullUrl, request, resource }: Entry, newId: string): [string, string][] {
  if (fullUrl === undefined) return [];
  if (request.kind === 'registry') return [[fullUrl, `${request.type}/${request.id}`]];
  return [[fullUrl, `${String(resource['resourceType'])}/${request.kind === 'correct' ? request.id : newId}`]];
}

async function withResolvedSubject(writer: StoreWriter, resource: JsonObject, index: number): Promise<JsonObject> {
  const condition = conditionalSubject(resource);
  if (condition === undefined) return resource;
  const expression = at(index, 'resource.subject.reference');
  const token = parseIfNoneExist(condition, expression.expression);
  const [id, another] = await writer.idsByIdentifier('Patient', token, 2);
  if (another !== undefined)
    throw new ServiceError('ERR_SEVERAL_MATCHES', 'The conditional subject fits more than one Patient; name the person by id.', expression);
  if (id === undefined)
    throw new ServiceError(
      'ERR_NOT_FOUND',
      'The conditional subject fits no Patient that this service knows; send the Patient first.',
      expression,
    );
  const subject = resource['subject'] as JsonObject;
  return { ...resource, subject: { ...subject, reference: `Patient/${id}` } };
}

function refuseSameTargets(entries: readonly Entry[]): void {
  const seen = new Set<string>();
  for (const { request, index } of entries) {
    if (request.kind === 'create') continue;
    const target = `${request.kind === 'registry' ? request.type : 'Observation'}/${request.id}`;
    if (seen.has(target))
      throw new ServiceError(
        'ERR_BAD_REQUEST',
        'Two entries of one transaction write the same resource; keep one of them.',
        at(index, 'request.url'),
      );
    seen.add(target);
  }
}

async function serve(
  writer: StoreWriter,
  { resource, shape, request, index }: ShapedEntry,
  newId: string,
  work: BundleWork,
): Promise<Taken> {
  try {
    // what was looked at is the entry as it was sent; what is stored has its references resolved
    const conformed = shape.ok ? { ...shape, resource } : shape;
    if (request.kind === 'registry') return await putRegistry(writer, request.type, request.id, conformed, request.ifMatch, work);
    if (request.kind === 'correct') refuseOtherId(resource, request.id);
    if (!conformed.ok) return refused(conformed.findings, work);
    const observation = conformed.resource as unknown as ExactObservation;
    if (request.kind === 'correct') return await correctReading(writer, observation, request.id, request.ifMatch, work);
    return await createReading(writer, observation, newId, request.ifNoneExist, work);
  } catch (error) {
    throw error instanceof ServiceError ? faultInEntry(error, index) : error;
  }
}

/** The answer with every expression starting at its entry. */
function rootedAt(answer: Taken, index: number, { policy }: BundleWork): Taken {
  return {
    ...answer,
    outcome: toOperationOutcome(answer.findings, { policyVersion: policy.version, root: `Bundle.entry[${index}].resource` }),
  };
}

/**
 * Posted Bundles: a batch, whose entries succeed or fail alone, or a transaction, all or nothing
 * (HL7 FHIR R4 4.0.1, RESTful API, batch/transaction).
 */
import { conditionalSubject, withResolvedReferences } from '../core/bundle.ts';
import { conformObservation, conformResource } from '../core/conform.ts';
import { toOperationOutcome, type Finding } from '../core/finding.ts';
import { isJsonObject, stringifyExact, type JsonObject } from '../core/json.ts';
import { ServiceError, toServiceOutcome } from '../errors.ts';
import type { BundleAnswer, IntakeAnswer } from './answer.ts';
import type { Store, StoreWriter } from '../ports.ts';
import { at, statusLine, toEntry, toResponse, turnOf, type Entry } from './entry.ts';
import { conformCorrection, correctReading, createReading, parseIfNoneExist, refused, type ReadingWork } from './reading.ts';
import { putRegistry } from './registry.ts';
import { recordRefusal } from './record.ts';

/** More entries than this hold up everybody else; send several Bundles. */
export const MOST_ENTRIES = 1000;

export interface BundleWork extends ReadingWork {
  readonly store: Store;
  readonly newId: () => string;
  readonly onStored: () => void;
}

/** An answer with its findings, so that a failed transaction can keep its refusal. */
type EntryAnswer = IntakeAnswer & { readonly findings?: readonly Finding[] };

export async function takeBundle(parsed: JsonObject, text: string, work: BundleWork): Promise<BundleAnswer> {
  const conformed = conformResource(parsed, 'Bundle');
  if (!conformed.ok) {
    const { outcome, status, findings } = refused(conformed.findings, work);
    await keepRefusal(text, findings, work);
    return { status, body: outcome as unknown as JsonObject };
  }
  const type = conformed.resource['type'];
  const entries = (conformed.resource['entry'] ?? []) as JsonObject[];
  if (entries.length > MOST_ENTRIES)
    throw new ServiceError('ERR_TOO_LARGE', `A Bundle may have at most ${MOST_ENTRIES} entries; send several.`, {
      expression: 'Bundle.entry',
    });
  if (type === 'batch') return takeBatch(entries, work);
  if (type === 'transaction') return takeTransaction(entries, text, work);
  throw new ServiceError('ERR_NOT_SUPPORTED', 'Send a Bundle of type batch or transaction.', { expression: 'Bundle.type' });
}

async function takeBatch(raw: readonly JsonObject[], work: BundleWork): Promise<BundleAnswer> {
  const responses = new Array<JsonObject>(raw.length);
  const entries: Entry[] = [];
  raw.forEach((one, index) => {
    try {
      entries.push(toEntry(one, index));
    } catch (error) {
      responses[index] = errorResponse(error);
    }
  });
  for (const turn of [0, 1, 2]) {
    // all of a turn are handed to the store at once: they share commits and keep their order
    await Promise.all(
      entries
        .filter((entry) => turnOf(entry) === turn)
        .map(async (entry) => {
          responses[entry.index] = await alone(entry, work).catch(errorResponse);
        }),
    );
  }
  return { status: 200, body: { resourceType: 'Bundle', type: 'batch-response', entry: responses.map((response) => ({ response })) } };
}

async function alone(entry: Entry, work: BundleWork): Promise<JsonObject> {
  const answer = await work.store.write(async (writer) => {
    const result = await serve(writer, entry, work.newId(), work);
    if (result.verdict === 'refused' && result.findings) {
      await recordRefusal(writer, work.newId(), stringifyExact(entry.resource), result.findings, work.clock.nowMs(), work.policy.version);
    }
    return result;
  });
  if (answer.resource) work.onStored();
  return toResponse(rootedAt(answer, entry.index, work));
}

function errorResponse(error: unknown): JsonObject {
  if (!(error instanceof ServiceError)) throw error;
  return { status: statusLine(error.row.status), outcome: toServiceOutcome(error) as unknown as JsonObject };
}

function keepRefusal(text: string, findings: readonly Finding[], { store, newId, clock, policy }: BundleWork): Promise<void> {
  return store.write((writer) => recordRefusal(writer, newId(), text, findings, clock.nowMs(), policy.version));
}

/** Thrown to undo a transaction's unit of work; holds the answer of the entry that failed. */
class TransactionFailed extends Error {
  readonly answer: EntryAnswer;
  readonly index: number;
  constructor(answer: EntryAnswer, index: number) {
    super('an entry of the transaction was refused');
    this.answer = answer;
    this.index = index;
  }
}

async function takeTransaction(raw: readonly JsonObject[], text: string, work: BundleWork): Promise<BundleAnswer> {
  const entries = raw.map(toEntry);
  refuseSameTargets(entries);
  try {
    const answers = await work.store.write((writer) => serveAll(writer, entries, work));
    if (answers.length > 0) work.onStored();
    const entry = answers.map((answer, index) => ({ response: toResponse(rootedAt(answer, index, work)) }));
    return { status: 200, body: { resourceType: 'Bundle', type: 'transaction-response', entry } };
  } catch (error) {
    if (!(error instanceof TransactionFailed)) throw error;
    const { answer, index } = error;
    const { findings } = answer;
    if (findings) await keepRefusal(text, findings, work);
    return { status: answer.status, body: rootedAt(answer, index, work).outcome as unknown as JsonObject };
  }
}

async function serveAll(writer: StoreWriter, entries: readonly Entry[], work: BundleWork): Promise<EntryAnswer[]> {
  const ids = entries.map(() => work.newId());
  const places = new Map(entries.flatMap((entry) => placeOf(entry, ids[entry.index] as string)));
  const answers = new Array<EntryAnswer>(entries.length);
  for (const turn of [0, 1, 2]) {
    for (const entry of entries.filter((one) => turnOf(one) === turn)) {
      const resolved = {
        ...entry,
        resource: await withResolvedSubject(writer, withResolvedReferences(entry.resource, places), entry.index),
      };
      const answer = await serve(writer, resolved, ids[entry.index] as string, work);
      if (answer.verdict === 'refused') throw new TransactionFailed(answer, entry.index);
      // a resend keeps its earlier place, so later entries must point there
      if (entry.fullUrl !== undefined && answer.resource) places.set(entry.fullUrl, `${answer.resource.type}/${answer.resource.id}`);
      answers[entry.index] = answer;
    }
  }
  return answers;
}

function placeOf({ fullUrl, request, resource }: Entry, newId: string): [string, string][] {
  if (fullUrl === undefined) return [];
  if (request.kind === 'registry') return [[fullUrl, `${request.type}/${request.id}`]];
  return [[fullUrl, `${String(resource['resourceType'])}/${request.kind === 'correct' ? request.id : newId}`]];
}

async function withResolvedSubject(writer: StoreWriter, resource: JsonObject, index: number): Promise<JsonObject> {
  const condition = conditionalSubject(resource);
  const token = condition === undefined ? undefined : parseIfNoneExist(condition);
  if (token === undefined) return resource;
  const [id, another] = await writer.idsByIdentifier('Patient', token, 2);
  const expression = at(index, 'resource.subject.reference');
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

async function serve(writer: StoreWriter, { resource, request, index }: Entry, newId: string, work: BundleWork): Promise<EntryAnswer> {
  if (request.kind === 'registry') return putRegistry(writer, request.type, request.id, resource, request.ifMatch, work);
  const conformed = request.kind === 'create' ? conformObservation(resource) : conformCorrection(resource, request.id);
  if (!conformed.ok) return refused(conformed.findings, work);
  if (request.kind === 'correct') return correctReading(writer, conformed.resource, request.id, request.ifMatch, work);
  return createReading(writer, conformed.resource, newId, conditionOf(request.ifNoneExist, index), work);
}

function conditionOf(ifNoneExist: string | undefined, index: number): ReturnType<typeof parseIfNoneExist> {
  try {
    return parseIfNoneExist(ifNoneExist);
  } catch (error) {
    if (error instanceof ServiceError) throw new ServiceError(error.code, error.message, at(index, 'request.ifNoneExist'));
    throw error;
  }
}

/** The answer with every expression starting at its entry. */
function rootedAt<Answer extends EntryAnswer>(answer: Answer, index: number, { policy }: BundleWork): Answer {
  if (!answer.findings || !isJsonObject(answer.outcome)) return answer;
  return {
    ...answer,
    outcome: toOperationOutcome(answer.findings, { policyVersion: policy.version, root: `Bundle.entry[${index}].resource` }),
  };
}

/** One reading through the engine: judged and stored within a unit of work, or judged only. */
import { isDeepStrictEqual } from 'node:util';
import { conformObservation } from '../core/conform.ts';
import { DECISIONS } from '../core/decision.ts';
import { evaluate, type Evaluation } from '../core/evaluate.ts';
import { withoutAdditions } from '../core/enrich/additions.ts';
import { withoutServiceMarks } from '../core/enrich/marks.ts';
import { finding, toOperationOutcome, type Finding } from '../core/finding.ts';
import { isJsonObject, type JsonValue } from '../core/json.ts';
import { codedMeasure, toReading, type ExactObservation } from '../core/observation.ts';
import { devicePointer, keyOf, pointerOf } from '../core/pointers.ts';
import type { Context, Instruction, Reading } from '../core/reading.ts';
import { bmiNotCorrectable, derivedNotCorrectable } from '../core/rules/bmi.ts';
import { severalMatches } from '../core/rules/identity.ts';
import { isUnassigned, UNASSIGNED_ANYWHERE } from '../core/unassigned.ts';
import { ServiceError } from '../errors.ts';
import { refused, type Taken } from './answer.ts';
import type { StoredResource, StoreReader, StoreWriter, Token } from '../ports.ts';
import { loadContext, type Surroundings } from './context.ts';
import { othersOnTheScale } from './others-on-scale.ts';
import { identifierTakenBy, identify, remember, rememberIdentifiers, resendOf, type Resend } from './identity.ts';
import { additionsTo, record, type Cause } from './record.ts';
import { checkScaleBefore, checkScaleOf } from './senders.ts';
import { treeOf } from './stored-tree.ts';

export interface ReadingWork extends Surroundings, Cause {
  /** Told the key of whom a reading is being stored for; may not be stored yet, or ever. */
  readonly onPerson?: (key: string) => void;
}

/** What a judgement came to, before anything is stored. */
export type Judgement =
  | {
      readonly kind: 'existing';
      readonly verdict: 'accepted' | 'held';
      readonly resource: StoredResource;
      readonly findings: readonly Finding[];
    }
  | { readonly kind: 'refused'; readonly findings: readonly Finding[] }
  | { readonly kind: 'stored'; readonly evaluation: Evaluation; readonly context: Context; readonly forms: readonly Reading[] };

/**
 * Judges a new Observation against the store as `reader` sees it; writes nothing.
 *
 * @param instruction given when it is not its sender who brings it
 */
export async function judgeNew(
  reader: StoreReader,
  observation: ExactObservation,
  id: string,
  surroundings: Surroundings,
  instruction?: Instruction,
): Promise<Judgement> {
  const context = {
    ...(await loadContext(reader, observation, { id, version: 1 }, surroundings)),
    ...(instruction && { instruction }),
  };
  const forms = formsOf(observation, context);
  if (forms.length > 0 && context.person.key !== '') {
    const identity = await identify(reader, observation, forms);
    // whoever moves a reading to its person means to store it there, also where it was void before
    if (identity.kind === 'resend' && !(instruction && isWithdrawn(identity.resource))) return existing(identity);
    if (identity.kind === 'conflict') return { kind: 'refused', findings: [identity.finding] };
  }
  const evaluation = await evaluateAmongPeople(reader, observation, context);
  if (evaluation.equals) {
    const resource = await reader.current('Observation', evaluation.equals.id);
    if (resource) return { kind: 'existing', verdict: 'accepted', resource, findings: evaluation.findings };
  }
  return toJudgement(evaluation, context, forms);
}

/** The judgement; of a doubtful weight once more, when it could be that of somebody else on the same scale. */
async function evaluateAmongPeople(reader: StoreReader, observation: ExactObservation, context: Context): Promise<Evaluation> {
  const alone = evaluate(observation, context);
  const mistakenFor = await othersOnTheScale(reader, alone, context.policy);
  return mistakenFor.length === 0 ? alone : evaluate(observation, { ...context, mistakenFor });
}

function isWithdrawn(resource: StoredResource): boolean {
  return treeOf(resource)['status'] === 'entered-in-error';
}

function existing({ resource, waits, finding: said }: Resend): Judgement {
  return { kind: 'existing', verdict: waits ? 'held' : 'accepted', resource, findings: [said] };
}

function toJudgement(evaluation: Evaluation, context: Context, forms: readonly Reading[]): Judgement {
  return evaluation.stored ? { kind: 'stored', evaluation, context, forms } : { kind: 'refused', findings: evaluation.findings };
}

/** The decoded reading before anything was added: with the keys that are known now, and as they were sent. */
function formsOf(observation: ExactObservation, context: Context): Reading[] {
  const { id, version, person, device, knownBases } = context;
  const sent = withoutServiceMarks(observation, context);
  const sentPerson = keyOf(pointerOf(sent.subject, knownBases)) ?? (isUnassigned(person.key) ? UNASSIGNED_ANYWHERE : person.key);
  const sentDevice = keyOf(devicePointer(sent, knownBases));
  const known = toReading(sent, { id, version, person: person.key, ...(device && { device: device.key }) });
  const asSent = toReading(sent, { id, version, person: sentPerson, ...(sentDevice !== undefined && { device: sentDevice }) });
  return [known, asSent].filter((form) => form !== undefined);
}

/** Takes in a new Observation. The caller has a unit of work open and keeps refusals itself. */
export async function createReading(
  writer: StoreWriter,
  observation: ExactObservation,
  id: string,
  ifNoneExist: Required<Token> | undefined,
  work: ReadingWork,
): Promise<Taken> {
  await checkScaleOf(writer, observation, work);
  if (ifNoneExist) {
    const [match, another] = await writer.idsByIdentifier('Observation', ifNoneExist, 2);
    if (another !== undefined) return refused([finding(severalMatches)], work);
    if (match !== undefined) {
      const resend = await resendOf(writer, match);
      await checkScaleBefore(writer, resend.resource, work);
      return settle(writer, existing(resend), work);
    }
  }
  const judgement = await judgeNew(writer, observation, id, work);
  const isBmi = codedMeasure(observation)?.of === 'bmi';
  if (judgement.kind === 'existing' && !isBmi) await rememberIdentifiers(writer, judgement.resource.id, observation);
  return settle(writer, judgement, work);
}

/** Takes in a correction of a stored reading; throws ServiceError for an unknown id or a stale version. */
export async function correctReading(
  writer: StoreWriter,
  observation: ExactObservation,
  id: string,
  ifMatchVersion: number,
  work: ReadingWork,
): Promise<Taken> {
  await checkScaleOf(writer, observation, work);
  const current = await writer.current('Observation', id);
  if (current === undefined) {
    throw new ServiceError(
      'ERR_METHOD',
      'No reading is stored under this id, and ids are given by the service; send a new reading with POST.',
    );
  }
  await checkScaleBefore(writer, current, work);
  if (current.version !== ifMatchVersion) {
    throw new ServiceError(
      'ERR_VERSION_CONFLICT',
      'If-Match names a version that is not the current one; read again and repeat the correction.',
      { expression: 'http.If-Match' },
    );
  }
  const replaces = await writer.readingOf(id);
  const before = treeOf(current) as unknown as ExactObservation;
  if (replaces === undefined) {
    const isBmi = codedMeasure(before)?.of === 'bmi';
    return refused([finding(isBmi ? bmiNotCorrectable : derivedNotCorrectable)], work);
  }
  if (isVoided(replaces) && observation.status !== 'entered-in-error') {
    throw new ServiceError(
      'ERR_CONFLICT',
      `Somebody decided ${DECISIONS[replaces.decided.as].done}, at ${replaces.decided.at}. Send a new reading with POST.`,
      {
        expression: 'Observation.status',
      },
    );
  }
  const taken = await identifierTakenBy(writer, observation, id);
  if (taken) return refused([taken], work);
  const samePerson = isDeepStrictEqual(pointerOf(before.subject, work.knownBases), pointerOf(observation.subject, work.knownBases));
  return rewriteReading(writer, { observation, current, replaces, ...(samePerson && { filedFor: replaces.person }) }, work);
}

/** The reading was declared an error by somebody, whatever its sender goes on sending. */
function isVoided(reading: Reading): reading is Reading & Required<Pick<Reading, 'decided'>> {
  return reading.decided?.as === 'discard' || reading.decided?.as === 'wrong-person';
}

export interface Rewriting {
  /** The new content; our marks and additions in it are made anew. */
  readonly observation: ExactObservation;
  readonly current: StoredResource;
  readonly replaces: Reading;
  /** Key of the person when that does not change. */
  readonly filedFor?: string;
  /** Given when it is not its sender who changes it. */
  readonly instruction?: Instruction;
}

/** Judges a stored reading in a new form and stores that as its next version. */
export async function rewriteReading(writer: StoreWriter, rewriting: Rewriting, work: ReadingWork): Promise<Taken> {
  const { observation, current, replaces, filedFor, instruction } = rewriting;
  const sent = await asUnadorned(writer, observation, current);
  const place = { id: current.id, version: current.version + 1 };
  const context = { ...(await loadContext(writer, sent, place, work, filedFor)), replaces, ...(instruction && { instruction }) };
  const answer = await settle(writer, toJudgement(await evaluateAmongPeople(writer, sent, context), context, formsOf(sent, context)), work);
  return answer.status === 201 ? { ...answer, status: 200 } : answer;
}

/** Without what this service added to the stored version and nobody has touched since. */
export async function asUnadorned(reader: StoreReader, observation: ExactObservation, stored: StoredResource): Promise<ExactObservation> {
  const added = await additionsTo(reader, stored);
  return withoutAdditions(
    observation,
    treeOf(stored) as unknown as ExactObservation,
    added.map(({ what }) => what),
  );
}

/** Stores what a judgement came to, and answers. */
export async function settle(writer: StoreWriter, judgement: Judgement, work: ReadingWork): Promise<Taken> {
  if (judgement.kind === 'refused') return refused(judgement.findings, work);
  const policyVersion = work.policy.version;
  if (judgement.kind === 'existing') {
    const { verdict, resource, findings } = judgement;
    return { status: 200, verdict, resource, findings, outcome: toOperationOutcome(findings, { policyVersion }) };
  }
  const { evaluation, context, forms } = judgement;
  if (context.person.key !== '' && !isUnassigned(context.person.key)) work.onPerson?.(context.person.key);
  const { forwards, call, replacing = [] } = work;
  const { resource } = await record(writer, evaluation, context, { forwards, nowMs: context.nowMs, call, replacing });
  if (evaluation.stored) await remember(writer, context.id, evaluation.stored.observation, forms);
  const { verdict, findings } = evaluation;
  return {
    status: verdict === 'held' ? 202 : 201,
    verdict,
    ...(resource && { resource }),
    findings,
    outcome: toOperationOutcome(findings, { policyVersion }),
  };
}

/** A correction's body: an Observation that names the id of its address. */
export function conformCorrection(parsed: JsonValue, id: string): ReturnType<typeof conformObservation> {
  refuseOtherId(parsed, id);
  return conformObservation(parsed);
}

/** Throws ServiceError ERR_BAD_VALUE when the body is not of the resource in the address. */
export function refuseOtherId(parsed: JsonValue, id: string): void {
  if (isJsonObject(parsed) && parsed['id'] === id) return;
  throw new ServiceError('ERR_BAD_VALUE', 'The id in the body is not the id in the address; make them equal.', {
    expression: 'Observation.id',
  });
}

/** One reading through the engine: judged and stored within a unit of work, or judged only. */
import { isDeepStrictEqual } from 'node:util';
import { conformObservation } from '../core/conform.ts';
import { evaluate, type Evaluation } from '../core/evaluate.ts';
import { withoutAdditions } from '../core/enrich/additions.ts';
import { withoutServiceMarks } from '../core/enrich/marks.ts';
import { finding, toOperationOutcome, type Finding } from '../core/finding.ts';
import { isJsonObject, type JsonValue } from '../core/json.ts';
import { codedMeasure, toReading, type ExactObservation } from '../core/observation.ts';
import { devicePointer, keyOf, pointerOf } from '../core/pointers.ts';
import type { Context, Reading } from '../core/reading.ts';
import { bmiNotCorrectable, derivedNotCorrectable } from '../core/rules/bmi.ts';
import { severalMatches } from '../core/rules/identity.ts';
import { ServiceError } from '../errors.ts';
import { refused, type Taken } from './answer.ts';
import type { StoredResource, StoreReader, StoreWriter, Token } from '../ports.ts';
import { loadContext, treeOf, type Surroundings } from './context.ts';
import { identifierTakenBy, identify, remember, rememberIdentifiers, resendOf, type Resend } from './identity.ts';
import { additionsTo, record } from './record.ts';

export interface ReadingWork extends Surroundings {
  readonly forwards: boolean;
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

/** Judges a new Observation against the store as `reader` sees it; writes nothing. */
export async function judgeNew(
  reader: StoreReader,
  observation: ExactObservation,
  id: string,
  surroundings: Surroundings,
): Promise<Judgement> {
  const context = await loadContext(reader, observation, { id, version: 1 }, surroundings);
  const forms = formsOf(observation, context);
  if (forms.length > 0 && context.person.key !== '') {
    const identity = await identify(reader, observation, forms);
    if (identity.kind === 'resend') return existing(identity);
    if (identity.kind === 'conflict') return { kind: 'refused', findings: [identity.finding] };
  }
  const evaluation = evaluate(observation, context);
  if (evaluation.equals) {
    const resource = await reader.current('Observation', evaluation.equals.id);
    if (resource) return { kind: 'existing', verdict: 'accepted', resource, findings: evaluation.findings };
  }
  return toJudgement(evaluation, context, forms);
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
  const sentPerson = keyOf(pointerOf(sent.subject, knownBases)) ?? person.key;
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
  if (ifNoneExist) {
    const [match, another] = await writer.idsByIdentifier('Observation', ifNoneExist, 2);
    if (another !== undefined) return refused([finding(severalMatches)], work);
    if (match !== undefined) return settle(writer, existing(await resendOf(writer, match)), work);
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
  const current = await writer.current('Observation', id);
  if (current === undefined) {
    throw new ServiceError(
      'ERR_METHOD',
      'No reading is stored under this id, and ids are given by the service; send a new reading with POST.',
    );
  }
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
  const taken = await identifierTakenBy(writer, observation, id);
  if (taken) return refused([taken], work);
  const samePerson = isDeepStrictEqual(pointerOf(before.subject, work.knownBases), pointerOf(observation.subject, work.knownBases));
  const place = { id, version: current.version + 1 };
  const sent = withoutAdditions(
    observation,
    before,
    (await additionsTo(writer, current)).map(({ what }) => what),
  );
  const context = { ...(await loadContext(writer, sent, place, work, samePerson ? replaces.person : undefined)), replaces };
  const answer = await settle(writer, toJudgement(evaluate(sent, context), context, formsOf(sent, context)), work);
  return answer.status === 201 ? { ...answer, status: 200 } : answer;
}

async function settle(writer: StoreWriter, judgement: Judgement, work: ReadingWork): Promise<Taken> {
  if (judgement.kind === 'refused') return refused(judgement.findings, work);
  const policyVersion = work.policy.version;
  if (judgement.kind === 'existing') {
    const { verdict, resource, findings } = judgement;
    return { status: 200, verdict, resource, findings, outcome: toOperationOutcome(findings, { policyVersion }) };
  }
  const { evaluation, context, forms } = judgement;
  const { resource } = await record(writer, evaluation, context, { forwards: work.forwards, nowMs: context.nowMs });
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
  if (!isJsonObject(parsed) || parsed['id'] !== id) {
    throw new ServiceError('ERR_BAD_VALUE', 'The id in the body is not the id in the address; make them equal.', {
      expression: 'Observation.id',
    });
  }
  return conformObservation(parsed);
}

/**
 * The one use case: load what a judgement needs, evaluate, store and queue in one unit of work.
 * An answer exists only after the commit that holds what it speaks of; the dry run goes through
 * the same judgement and stores nothing.
 */
import type { Call } from './caller.ts';
import { conformObservation, conformResource } from './core/conform.ts';
import { toOperationOutcome, type Finding } from './core/finding.ts';
import type { JsonObject, JsonValue } from './core/json.ts';
import type { GrowthTables } from './core/growth/tables.ts';
import type { Policy } from './core/policy.ts';
import { recorded, type Ending, type Undertaking } from './ingest/audit.ts';
import { refused, type Assessment, type BundleAnswer, type IntakeAnswer, type Taken } from './ingest/answer.ts';
import { claim } from './ingest/claim.ts';
import { decide } from './ingest/decide.ts';
import type { HeldAnswer } from './ingest/held.ts';
import { parseClaim, parseDecision, parseUndo, placeOf } from './ingest/parameters.ts';
import { checkMaySend, checkScaleOf } from './ingest/senders.ts';
import { takeBundle, type BundleWork } from './ingest/bundle.ts';
import { conformCorrection, correctReading, createReading, judgeNew, type Judgement } from './ingest/reading.ts';
import { affectedBy, recallScale, type Affected, type Recalled, type RecallOrder } from './ingest/recall.ts';
import { rehearse, type Rehearsal, type RehearsedPart, type WorkedStore } from './ingest/rehearse.ts';
import { undo } from './ingest/undo.ts';
import { putRegistry, type ExpectedVersion, type RegistryType } from './ingest/registry.ts';
import { takeSeveral, type OneOfSeveral, type SentReading } from './ingest/several.ts';
import type { Effective } from './core/fhir-time.ts';
import type { Clock, ObservationSearch, StoreWriter, Token } from './ports.ts';

export type {
  Affected,
  Assessment,
  BundleAnswer,
  HeldAnswer,
  IntakeAnswer,
  OneOfSeveral,
  Recalled,
  RecallOrder,
  SentReading,
  Rehearsal,
  RehearsedPart,
};

export interface Intake {
  /**
   * @param parsed the exact JSON tree of the body
   * @param text the body as it was received, kept with a refusal
   * @param ifNoneExist the identifier of a conditional create
   */
  create(parsed: JsonValue, text: string, ifNoneExist?: Required<Token>): Promise<IntakeAnswer>;
  /**
   * A correction. Throws ServiceError ERR_METHOD (no such reading), ERR_VERSION_CONFLICT,
   * ERR_BAD_VALUE (the body names another id).
   */
  correct(id: string, parsed: JsonValue, text: string, ifMatchVersion: number): Promise<IntakeAnswer>;
  /**
   * A decision on a held reading (Parameters). Throws ServiceError ERR_NOT_FOUND, ERR_VERSION_CONFLICT,
   * ERR_CONFLICT (not held, or decided already), and for parameters that are missing or wrong
   * ERR_BAD_REQUEST, ERR_BAD_VALUE, ERR_NOT_SUPPORTED.
   */
  decide(id: string, parsed: JsonValue, text: string, ifMatchVersion?: number): Promise<HeldAnswer>;
  /**
   * Takes back the last decision on a reading (Parameters), for five minutes at most and until
   * something of it goes to the EHR. Throws like `decide`; ERR_CONFLICT when there is nothing to take
   * back any more.
   */
  undo(id: string, parsed: JsonValue, text: string, ifMatchVersion?: number): Promise<HeldAnswer>;
  /** Names the person of a reading that arrived without one (Parameters). Throws like `decide`. */
  claim(id: string, parsed: JsonValue, text: string, ifMatchVersion?: number): Promise<HeldAnswer>;
  /** Patient, Device or DeviceMetric under the caller's id; 201 when new, else 200. */
  putRegistry(type: RegistryType, id: string, parsed: JsonValue, expected?: ExpectedVersion): Promise<IntakeAnswer>;
  /** The dry run behind `$validate` and `$assess`: the very same engine, nothing stored. */
  assess(parsed: JsonValue): Promise<Assessment>;
  /** The dry run of an Observation or of a whole Bundle, see `ingest/rehearse.ts`. Asks no permission: it says what a gateway would be told. */
  rehearse(parsed: JsonValue, text: string): Promise<Rehearsal>;
  /** A batch or transaction Bundle (parsed and known to be a Bundle resource). */
  bundle(parsed: JsonObject, text: string): Promise<BundleAnswer>;
  /** Readings of one message, each judged alone and all stored in one unit of work; answers in their order. Throws like `takeSeveral`. */
  several(readings: readonly SentReading[]): Promise<readonly OneOfSeveral[]>;
  /** Readings of a scale since a time, with their BMI. Throws ServiceError ERR_NOT_FOUND, ERR_BAD_VALUE (cursor). */
  affected(deviceId: string, since: Effective, page: Pick<ObservationSearch, 'count' | 'cursor'>): Promise<Affected>;
  /** Marks the readings of a scale that was found wrong, all or none. Throws ServiceError ERR_NOT_FOUND. */
  recall(deviceId: string, order: RecallOrder): Promise<Recalled>;
}

export interface IntakeParts {
  /** The call that is served; absent for what the service does of its own. */
  readonly call?: Call;
  readonly store: WorkedStore;
  readonly clock: Clock;
  /** The policy in force; asked for once a call, which is then judged and answered by that one. */
  readonly policy: () => Policy;
  /** The growth tables that an operator supplied. */
  readonly growth?: GrowthTables;
  /** Ids for new Observations: unique, at most 40 characters of FHIR's id alphabet. */
  readonly newId: () => string;
  /** FHIR bases whose absolute references count as relative: our own and the EHR's. */
  readonly knownBases: readonly string[];
  /** Is there an EHR to forward to? */
  readonly forwards: boolean;
  /** Told whom a reading is stored for, so that what is not known of them can be asked for. Must not throw. */
  readonly onPerson?: (key: string) => void;
  /** Told after a commit that may have queued something. */
  readonly onStored?: () => void;
}

export function createIntake(parts: IntakeParts): Intake {
  const { store, newId, onStored = () => undefined } = parts;
  const workNow = (): BundleWork => ({ ...parts, policy: parts.policy(), onStored });

  /** One unit of work, with its audit event and, when it comes to that, the refusal. */
  const inOneUnit = async <Answer extends Ending>(
    undertaking: Undertaking,
    work: BundleWork,
    act: (writer: StoreWriter) => Promise<Answer>,
  ): Promise<Answer> => {
    const answer = await store.write((writer) => recorded(writer, undertaking, work, () => act(writer)));
    parts.call?.noteAudited?.();
    return answer;
  };
  const told = ({ findings: _findings, ...answer }: HeldAnswer & { readonly findings: readonly Finding[] }): HeldAnswer => {
    if (answer.observation) onStored();
    return answer;
  };
  const settled = ({ findings: _findings, ...answer }: Taken): IntakeAnswer => {
    if (answer.resource) onStored();
    return answer;
  };

  return {
    async create(parsed, text, ifNoneExist) {
      const work = workNow();
      checkMaySend(work);
      const conformed = conformObservation(parsed);
      const undertaking = { interaction: 'create', text, sent: parsed } as const;
      return settled(
        await inOneUnit(undertaking, work, async (writer) =>
          conformed.ok ? createReading(writer, conformed.resource, newId(), ifNoneExist, work) : refused(conformed.findings, work),
        ),
      );
    },

    async correct(id, parsed, text, ifMatchVersion) {
      const work = workNow();
      checkMaySend(work);
      const conformed = conformCorrection(parsed, id);
      const undertaking = { interaction: 'update', text, sent: parsed, concerns: [`Observation/${id}`] } as const;
      return settled(
        await inOneUnit(undertaking, work, async (writer) =>
          conformed.ok ? correctReading(writer, conformed.resource, id, ifMatchVersion, work) : refused(conformed.findings, work),
        ),
      );
    },

    async decide(id, parsed, text, ifMatchVersion) {
      const work = workNow();
      const request = parseDecision(parsed, work.knownBases, work.call?.caller.person);
      const options = { ifMatchVersion, subjectPlace: placeOf(parsed, 'subject') };
      const undertaking = { ...onHeld('decide', id, text), details: [['decision', request.code]] } as const;
      return told(await inOneUnit(undertaking, work, (writer) => decide(writer, id, request, options, work)));
    },

    async undo(id, parsed, text, ifMatchVersion) {
      const work = workNow();
      const request = parseUndo(parsed, work.knownBases, work.call?.caller.person);
      return told(await inOneUnit(onHeld('undo', id, text), work, (writer) => undo(writer, id, request, ifMatchVersion, work)));
    },

    async claim(id, parsed, text, ifMatchVersion) {
      const work = workNow();
      const request = parseClaim(parsed, work.knownBases, work.call?.caller.person);
      return told(await inOneUnit(onHeld('claim', id, text), work, (writer) => claim(writer, id, request, ifMatchVersion, work)));
    },

    async putRegistry(type, id, parsed, expected) {
      const work = workNow();
      const conformed = conformResource(parsed, type);
      const undertaking = { interaction: 'update', concerns: [`${type}/${id}`] } as const;
      return settled(await inOneUnit(undertaking, work, (writer) => putRegistry(writer, type, id, conformed, expected, work)));
    },

    async assess(parsed) {
      const work = workNow();
      checkMaySend(work);
      const conformed = conformObservation(parsed);
      if (conformed.ok) await checkScaleOf(store.read, conformed.resource, work);
      const judgement: Judgement = conformed.ok
        ? await judgeNew(store.read, conformed.resource, newId(), work)
        : { kind: 'refused', findings: conformed.findings };
      return toAssessment(judgement, work.policy.version);
    },

    rehearse(parsed, text) {
      const { call: _call, onPerson: _onPerson, onStored: _onStored, ...own } = parts;
      return rehearse(store, (within) => createIntake({ ...own, store: within }), parsed, text);
    },

    bundle: (parsed, text) => takeBundle(parsed, text, workNow()),

    several: (readings) => takeSeveral(readings, workNow()),

    affected: (deviceId, since, page) => affectedBy(store.read, deviceId, since, page),

    async recall(deviceId, order) {
      const work = workNow();
      const { action } = order;
      const undertaking = {
        interaction: 'operation',
        event: 'recall',
        concerns: [`Device/${deviceId}`],
        details: [['action', action]],
      } as const;
      const { recalled } = await inOneUnit(undertaking, work, async (writer): Promise<Ending & { readonly recalled: Recalled }> => ({
        recalled: await recallScale(writer, deviceId, order, work),
      }));
      if (recalled.marked.length > 0) onStored();
      return recalled;
    },
  };
}

function onHeld(event: 'decide' | 'undo' | 'claim', id: string, text: string) {
  return { interaction: 'operation', event, text, concerns: [`Observation/${id}`] } as const;
}

function toAssessment(judgement: Judgement, policyVersion: string): Assessment {
  const findings = judgement.kind === 'stored' ? judgement.evaluation.findings : judgement.findings;
  const outcome = toOperationOutcome(findings, { policyVersion });
  if (judgement.kind !== 'stored') return { verdict: judgement.kind === 'refused' ? 'refused' : judgement.verdict, outcome, derived: [] };
  const { verdict, stored, derived } = judgement.evaluation;
  return {
    verdict,
    outcome,
    ...(stored && { observation: { ...(stored.observation as unknown as JsonObject), id: judgement.context.id } }),
    derived: derived.map(({ observation }) => observation as unknown as JsonObject),
  };
}

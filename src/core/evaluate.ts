/**
 * START HERE. The whole judgement of one Observation: decode, apply the rules, enrich, derive.
 *
 * Synchronous, pure and total: everything it depends on comes in as `Context`, everything it
 * concludes goes out as `Evaluation`, and the dry runs call the very same function. What is
 * done with an Evaluation (store, queue, answer) is `ingest.ts`'s business.
 */
import type * as fhir4 from 'fhir/r4.js';
import { factsOfInstruction, lastingFacts } from './decision.ts';
import type { NoBmiReason } from './derive/bmi.ts';
import { deriveAll } from './derive/derive-all.ts';
import { difference, type Derived } from './derive/difference.ts';
import { compareSentBmi } from './derive/sent-bmi.ts';
import { enrich, type Enriched } from './enrich/enrich.ts';
import { asCoarse, withMarks, withoutServiceMarks } from './enrich/marks.ts';
import { factsOfReading, type ObservationFacts } from './facts.ts';
import { finding, verdictOf, type Finding, type Verdict } from './finding.ts';
import { codedMeasure, toReading, type ExactObservation } from './observation.ts';
import { keyOf, pointerOf } from './pointers.ts';
import { entity, instructedBy, toProvenance } from './provenance.ts';
import type { Context, Reading, StandingBmi } from './reading.ts';
import { bmiNotDerived } from './rules/bmi.ts';
import { correctionOtherReading, correctionUnknown } from './rules/identity.ts';
import { RULES } from './rules/index.ts';
import { scaleCoarse } from './rules/precision.ts';
import { applyRules, subjectOf } from './rules/rule.ts';
import { affectedFrom, asSettled, judgeSerial, type Standing } from './serial/judge.ts';
import { readingsIn, rejudgedAmong, type Rejudged } from './serial/rejudged.ts';

export interface Evaluation {
  readonly verdict: Verdict;
  readonly findings: readonly Finding[];
  /** What to store, when it is a weight or a height that was not refused. */
  readonly stored?: {
    readonly observation: ExactObservation;
    readonly reading: Reading;
    readonly facts: ObservationFacts;
    readonly provenance: fhir4.Provenance;
  };
  /** The person's other readings whose standing changes because of it. */
  readonly rejudged: readonly Rejudged[];
  /** Derived Observations (BMI and others) to create, change or void because of it. */
  readonly derived: readonly Derived[];
  /** The derived BMI that a sender's own BMI equals; nothing is stored then. */
  readonly equals?: StandingBmi;
}

/**
 * Judges an Observation that has passed `conformObservation`.
 *
 * @param sent as it arrived; never changed
 */
export function evaluate(sent: ExactObservation, context: Context): Evaluation {
  const observation = withoutServiceMarks(sent, context);
  const decoded = toReading(observation, {
    id: context.id,
    version: context.version,
    person: context.person.key,
    ...(context.replaces?.moves !== undefined && { moves: context.replaces.moves }),
    ...(context.device && { device: context.device.key }),
    ...(context.tareDevices && { tareDevices: context.tareDevices.map(({ key }) => key) }),
    ...(isStillFlagged(context) && { flagged: true as const }),
    ...(context.mistakenFor && { mistakenFor: context.mistakenFor }),
  });
  const { enriched, findings: ruleFindings } = examine(observation, decoded, context);
  const findings = [
    ...(isWithdrawal(observation, context) ? ruleFindings.map(asRemark) : ruleFindings),
    ...correctionFindings(observation, decoded, context),
  ];

  if (codedMeasure(observation)?.of === 'bmi') return judgeSentBmi(observation, findings, context);
  if (enriched === undefined) return refusedFor(findings);
  const doubts = findings.filter(({ outcome }) => outcome === 'hold').map(({ rule }) => rule.id);
  const judged = { ...enriched.reading, doubts };
  const reading = {
    ...judged,
    ...lastingFacts(judged, context),
    ...(context.instruction && factsOfInstruction(context.instruction, context.version)),
  };
  const standings = judgeSerial([...context.history, reading], context, fromWhen(reading, context));
  if (verdictOf(findings) === 'refused') return refusedFor([...findings, ...saidOf(standings, context)]);
  const refusals = context.instruction?.as === 'correct' ? refusalsOf(judged, context) : [];
  if (refusals.length > 0) return refusedFor([...findings, ...refusals]);
  return conclude({ ...enriched, reading }, findings, standings, context);
}

/** Enriches a decoded Observation and applies the rules that look at one by itself. */
export function examine(
  observation: ExactObservation,
  decoded: Reading | undefined,
  context: Context,
): { readonly enriched?: Enriched; readonly findings: readonly Finding[] } {
  const enriched = decoded && enrich(observation, decoded, context);
  return { ...(enriched && { enriched }), findings: applyRules(RULES, subjectOf(observation, enriched?.reading, context)) };
}

/** What was stored before is left as it stands, as far as this reading cannot matter to it. */
function fromWhen(reading: Reading, { replaces, policy }: Context): number {
  if (replaces === undefined) return affectedFrom([reading], policy);
  const { effective, basis } = replaces;
  return effective === undefined || basis === undefined ? -Infinity : affectedFrom([reading, { effective, basis }], policy);
}

function refusedFor(findings: readonly Finding[]): Evaluation {
  return { verdict: 'refused', findings, rejudged: [], derived: [] };
}

/** What the other readings say of it, were it taken in: every finding is reported, not the first alone. */
function saidOf(standings: readonly Standing[], { id }: Context): readonly Finding[] {
  const said = standings.find(({ reading }) => reading.id === id)?.findings ?? [];
  return said.filter(({ rule }) => !rule.onlyAccepted);
}

/** A decision settles doubts about a value; what the policy refuses is no value to decide for. */
function refusalsOf(reading: Reading, context: Context): readonly Finding[] {
  const said = saidOf(judgeSerial([...context.history, reading], context), context);
  return verdictOf(said) === 'refused' ? said : [];
}

/** A correction by its sender does not put the scale right; one that names another scale does. */
function isStillFlagged({ replaces, device }: Context): boolean {
  return replaces?.flagged === true && replaces.device === device?.key;
}

function isWithdrawal({ status }: ExactObservation, { replaces }: Context): boolean {
  return status === 'entered-in-error' && replaces !== undefined;
}

/**
 * What is wrong with a reading is no reason to keep it from being withdrawn: held, its withdrawal
 * would never reach the EHR.
 */
function asRemark(found: Finding): Finding {
  const stands = found.outcome === 'refuse' && !found.rule.movable;
  return stands || found.outcome === 'inform' ? found : { ...found, outcome: 'warn' };
}

/** What a withdrawal or correction must not do. */
function correctionFindings(observation: ExactObservation, reading: Reading | undefined, { replaces, instruction }: Context): Finding[] {
  if (replaces === undefined) return observation.status === 'entered-in-error' ? [finding(correctionUnknown)] : [];
  if (reading === undefined) return [];
  const isOthers = replaces.person !== reading.person && instruction?.as !== 'claim';
  const other = isOthers ? 'person' : replaces.of !== reading.of ? 'measure' : undefined;
  return other === undefined ? [] : [finding(correctionOtherReading, { what: other })];
}

function conclude(
  { observation, additions }: Enriched,
  ownFindings: readonly Finding[],
  standings: readonly Standing[],
  context: Context,
): Evaluation {
  const { id, version } = context;
  const standing = standings.find(({ reading }) => reading.id === id);
  if (standing === undefined) throw new Error('a reading is missing among its own standings');
  const { reading, settled } = standing;
  const judged = [...ownFindings.map((found) => (settled ? asSettled(found) : found)), ...standing.findings];
  const verdict = verdictOf(judged);
  if (verdict === 'refused') return refusedFor(judged);
  const marked = ownFindings.some(({ rule }) => rule.id === scaleCoarse.id) ? asCoarse(observation) : observation;
  const stored = withMarks(marked, reading);
  const rejudged = rejudgedAmong(standings, context);
  const { drafts, withoutBmi } = deriveAll(readingsIn(standings, rejudged), context);
  const findings = [...judged, ...noBmiFinding(reading, withoutBmi.get(id))];
  return {
    verdict,
    findings,
    stored: {
      observation: stored,
      reading,
      facts: factsOfReading(stored, reading, personAsSent(stored, context)),
      provenance: toProvenance(
        {
          target: { id, version },
          verdict,
          findings,
          additions,
          entities: [
            ...(context.instruction?.movedFrom === undefined ? [] : [entity('source', `Observation/${context.instruction.movedFrom}`)]),
            ...(context.replaces ? [entity('revision', `Observation/${id}/_history/${context.replaces.version}`)] : []),
            ...(context.device && additions.some(({ origin }) => origin === 'device') ? [entity('source', context.device.key)] : []),
          ],
          activity: version === 1 ? 'CREATE' : 'UPDATE',
          ...instructedBy(context.instruction),
        },
        context,
      ),
    },
    rejudged,
    derived: difference(drafts, context),
  };
}

function personAsSent({ subject }: ExactObservation, { knownBases }: Context): { readonly personAsSent?: string } {
  const key = keyOf(pointerOf(subject, knownBases));
  return key === undefined ? {} : { personAsSent: key };
}

const NO_BMI: Readonly<Record<NoBmiReason, { readonly reason: string; readonly remedy: string } | undefined>> = {
  'amount-absent': undefined,
  'not-measured': { reason: 'only a final, measured weight counts', remedy: 'Weigh the person when that is possible.' },
  'under-age': { reason: 'the person is younger than the policy allows', remedy: 'Use weight for length under two years.' },
  amputation: { reason: 'an amputation is known, and an ordinary BMI would be too low', remedy: 'Go by the weight itself.' },
  condition: {
    reason: 'what the weight stands on (cast, prosthesis, fluid or equipment) is no part of a BMI',
    remedy: 'Weigh without it when that is possible.',
  },
  impossible: { reason: 'weight and height give an impossible one', remedy: 'Measure both again.' },
  'no-height': { reason: 'no measured height is recent enough', remedy: 'Measure the height; the BMI follows by itself.' },
};

function noBmiFinding(reading: Reading, reason: NoBmiReason | undefined): Finding[] {
  const words = reason === undefined || reading.status === 'entered-in-error' ? undefined : NO_BMI[reason];
  return words === undefined ? [] : [finding(bmiNotDerived, words)];
}

function judgeSentBmi(observation: ExactObservation, ruleFindings: readonly Finding[], context: Context): Evaluation {
  if (verdictOf(ruleFindings) === 'refused') return refusedFor(ruleFindings);
  const { finding: comparison, equals } = compareSentBmi(observation, context);
  const findings = [...ruleFindings.filter(({ outcome }) => outcome !== 'hold'), comparison];
  return { verdict: verdictOf(findings), findings, rejudged: [], derived: [], ...(equals && { equals }) };
}

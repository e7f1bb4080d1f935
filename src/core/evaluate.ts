/**
 * START HERE. The whole judgement of one Observation: decode, apply the rules, enrich, derive.
 *
 * Synchronous, pure and total: everything it depends on comes in as `Context`, everything it
 * concludes goes out as `Evaluation`, and the dry runs call the very same function. What is
 * done with an Evaluation (store, queue, answer) is `ingest.ts`'s business.
 */
import type * as fhir4 from 'fhir/r4.js';
import { deriveBmi, type BmiSet, type NoBmiReason } from './derive/bmi.ts';
import { bmiDifference, type Derived } from './derive/difference.ts';
import { compareSentBmi } from './derive/sent-bmi.ts';
import { asCoarse, asHeld, enrich, withoutServiceMarks, type Enriched } from './enrich/enrich.ts';
import { factsOf, type ObservationFacts } from './facts.ts';
import { finding, verdictOf, type Finding, type Verdict } from './finding.ts';
import { codedMeasure, logicalKey, pointerOf, toReading, type ExactObservation } from './observation.ts';
import { entity, toProvenance } from './provenance.ts';
import type { Context, Reading, StandingBmi } from './reading.ts';
import { bmiNotDerived } from './rules/bmi.ts';
import { correctionOtherReading, correctionUnknown } from './rules/identity.ts';
import { RULES } from './rules/index.ts';
import { scaleCoarse } from './rules/precision.ts';
import { applyRules, subjectOf } from './rules/rule.ts';

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
  /** BMI Observations to create, change or void because of it. */
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
  });
  const enriched = decoded && enrich(observation, decoded, context);
  const subject = subjectOf(observation, enriched?.reading, context);
  const ruleFindings = applyRules(RULES, subject);
  const findings = [
    ...(isWithdrawal(observation, context) ? ruleFindings.map(asRemark) : ruleFindings),
    ...correctionFindings(observation, decoded, context),
  ];

  if (codedMeasure(observation)?.of === 'bmi') return judgeSentBmi(observation, findings, context);
  if (enriched === undefined || verdictOf(findings) === 'refused') return { verdict: 'refused', findings, derived: [] };
  return conclude(enriched, findings, subject.bmiSet, context);
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
function correctionFindings(observation: ExactObservation, reading: Reading | undefined, { replaces }: Context): Finding[] {
  if (replaces === undefined) return observation.status === 'entered-in-error' ? [finding(correctionUnknown)] : [];
  if (reading === undefined) return [];
  const other = replaces.person !== reading.person ? 'person' : replaces.of !== reading.of ? 'measure' : undefined;
  return other === undefined ? [] : [finding(correctionOtherReading, { what: other })];
}

function conclude(
  { observation, reading: measured, additions }: Enriched,
  ruleFindings: readonly Finding[],
  ifAccepted: BmiSet,
  context: Context,
): Evaluation {
  const verdict = verdictOf(ruleFindings);
  const held = verdict === 'held';
  const reading: Reading = held ? { ...measured, held, status: 'preliminary' } : measured;
  const marked = ruleFindings.some(({ rule }) => rule.id === scaleCoarse.id) ? asCoarse(observation) : observation;
  const stored = held ? asHeld(marked) : marked;
  const { drafts, without } = held ? deriveBmi([...context.history, reading], context.person, context.policy) : ifAccepted;
  const findings = [...ruleFindings, ...noBmiFinding(reading, without.get(reading.id))];
  const { id, version } = context;
  return {
    verdict,
    findings,
    stored: {
      observation: stored,
      reading,
      facts: factsOf(stored, {
        of: reading.of,
        person: reading.person,
        ...logicalPerson(stored, context),
        held,
        effective: reading.effective,
        reading,
        ...(reading.device !== undefined && { device: reading.device }),
      }),
      provenance: toProvenance(
        {
          target: { id, version },
          verdict,
          findings,
          additions,
          entities: [
            ...(context.replaces ? [entity('revision', `Observation/${id}/_history/${context.replaces.version}`)] : []),
            ...(context.device && additions.some(({ origin }) => origin === 'device') ? [entity('source', context.device.key)] : []),
          ],
          activity: version === 1 ? 'CREATE' : 'UPDATE',
        },
        context,
      ),
    },
    derived: bmiDifference(drafts, context),
  };
}

function logicalPerson({ subject }: ExactObservation, { knownBases }: Context): { readonly personAsSent?: string } {
  const pointer = pointerOf(subject, knownBases);
  return pointer.kind === 'logical' ? { personAsSent: logicalKey(pointer) } : {};
}

const NO_BMI: Readonly<Record<NoBmiReason, { readonly reason: string; readonly remedy: string } | undefined>> = {
  'amount-absent': undefined,
  'not-measured': { reason: 'only a final, measured weight counts', remedy: 'Weigh the person when that is possible.' },
  'under-age': { reason: 'the person is younger than the policy allows', remedy: 'Use weight for length under two years.' },
  impossible: { reason: 'weight and height give an impossible one', remedy: 'Measure both again.' },
  'no-height': { reason: 'no measured height is recent enough', remedy: 'Measure the height; the BMI follows by itself.' },
};

function noBmiFinding(reading: Reading, reason: NoBmiReason | undefined): Finding[] {
  const words = reason === undefined || reading.status === 'entered-in-error' ? undefined : NO_BMI[reason];
  return words === undefined ? [] : [finding(bmiNotDerived, words)];
}

function judgeSentBmi(observation: ExactObservation, ruleFindings: readonly Finding[], context: Context): Evaluation {
  if (verdictOf(ruleFindings) === 'refused') return { verdict: 'refused', findings: ruleFindings, derived: [] };
  const { finding: comparison, equals } = compareSentBmi(observation, context);
  const findings = [...ruleFindings.filter(({ outcome }) => outcome !== 'hold'), comparison];
  return { verdict: verdictOf(findings), findings, derived: [], ...(equals && { equals }) };
}

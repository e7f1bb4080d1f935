/**
 * START HERE. The whole judgement of one Observation: decode, apply the rules, enrich, derive.
 *
 * Synchronous, pure and total: everything it depends on comes in as `Context`, everything it
 * concludes goes out as `Evaluation`, and the dry runs call the very same function. What is
 * done with an Evaluation (store, queue, answer) is `ingest.ts`'s business.
 */
import type * as fhir4 from 'fhir/r4.js';
import type { NoBmiReason } from './derive/bmi.ts';
import { deriveAll } from './derive/derive-all.ts';
import { difference, type Derived } from './derive/difference.ts';
import { compareSentBmi } from './derive/sent-bmi.ts';
import { enrich, type Enriched } from './enrich/enrich.ts';
import { asCoarse, withMarks, withoutServiceMarks } from './enrich/marks.ts';
import { factsOfReading, type ObservationFacts } from './facts.ts';
import { finding, verdictOf, type Finding, type Verdict } from './finding.ts';
import { codedMeasure, toReading, type ExactObservation } from './observation.ts';
import { logicalKey, pointerOf } from './pointers.ts';
import { entity, toProvenance } from './provenance.ts';
import type { Context, Reading, StandingBmi } from './reading.ts';
import { bmiNotDerived } from './rules/bmi.ts';
import { correctionOtherReading, correctionUnknown } from './rules/identity.ts';
import { RULES } from './rules/index.ts';
import { scaleCoarse } from './rules/precision.ts';
import { applyRules, subjectOf } from './rules/rule.ts';
import { asSettled, judgeSerial, type Standing } from './serial/judge.ts';
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
    ...(context.mistakenFor && { mistakenFor: context.mistakenFor }),
  });
  const enriched = decoded && enrich(observation, decoded, context);
  const ruleFindings = applyRules(RULES, subjectOf(observation, enriched?.reading, context));
  const findings = [
    ...(isWithdrawal(observation, context) ? ruleFindings.map(asRemark) : ruleFindings),
    ...correctionFindings(observation, decoded, context),
  ];

  if (codedMeasure(observation)?.of === 'bmi') return judgeSentBmi(observation, findings, context);
  if (enriched === undefined) return refusedFor(findings);
  const doubts = findings.filter(({ outcome }) => outcome === 'hold').map(({ rule }) => rule.id);
  const reading = { ...enriched.reading, doubts };
  const standings = judgeSerial([...context.history, reading], context);
  if (verdictOf(findings) === 'refused') return refusedFor([...findings, ...saidOf(standings, context)]);
  return conclude({ ...enriched, reading }, findings, standings, context);
}

function refusedFor(findings: readonly Finding[]): Evaluation {
  return { verdict: 'refused', findings, rejudged: [], derived: [] };
}

/** What the other readings say of it, were it taken in: every finding is reported, not the first alone. */
function saidOf(standings: readonly Standing[], { id }: Context): readonly Finding[] {
  const said = standings.find(({ reading }) => reading.id === id)?.findings ?? [];
  return said.filter(({ rule }) => !rule.onlyAccepted);
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
      facts: factsOfReading(stored, reading, logicalPerson(stored, context)),
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
    rejudged,
    derived: difference(drafts, context),
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
  if (verdictOf(ruleFindings) === 'refused') return refusedFor(ruleFindings);
  const { finding: comparison, equals } = compareSentBmi(observation, context);
  const findings = [...ruleFindings.filter(({ outcome }) => outcome !== 'hold'), comparison];
  return { verdict: verdictOf(findings), findings, rejudged: [], derived: [], ...(equals && { equals }) };
}

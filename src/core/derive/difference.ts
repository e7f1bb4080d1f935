/**
 * From the BMI that stand to the BMI that ought to exist: create, new version, or entered in
 * error. Storing this difference leaves no stale BMI, whatever came before.
 */
import type * as fhir4 from 'fhir/r4.js';
import { factsOf, type ObservationFacts } from '../facts.ts';
import { parseDateTime, type Effective } from '../fhir-time.ts';
import { exactNumber } from '../json.ts';
import type { ExactObservation } from '../observation.ts';
import { entity, referenceOf, toProvenance, type DecidedBy } from '../provenance.ts';
import type { Context, Reading, StandingBmi } from '../reading.ts';
import { IN_DOUBT_TAG, OURS, PARENT_CODE, R4_PROFILE, SYSTEM, VITAL_SIGNS_CATEGORY, type ObservationStatus } from '../terminology.ts';
import type { BmiDraft } from './bmi.ts';

export interface Derived {
  readonly id: string;
  readonly version: number;
  readonly observation: ExactObservation;
  readonly facts: ObservationFacts;
  readonly provenance: fhir4.Provenance;
}

/** What a derivation depends on besides the readings. */
export type DerivationContext = Pick<Context, 'nowMs' | 'policy' | 'person' | 'standing'> & DecidedBy;

/**
 * A BMI's id follows from its weight's, so the same fact never gets two resources. A weight that
 * turned out to be another person's gets a BMI of its own there: no BMI changes its person.
 */
export function bmiIdOf({ id, moves = 0 }: Pick<Reading, 'id' | 'moves'>): string {
  return moves === 0 ? `bmi-${id}` : `bmi-${id}-${moves}`;
}

/** What has to be stored so that exactly `drafts` stand. */
export function bmiDifference(drafts: readonly BmiDraft[], context: DerivationContext): Derived[] {
  const standing = new Map(context.standing.map((bmi) => [bmi.weightId, bmi]));
  const wanted = new Map(drafts.map((draft) => [draft.weight.id, draft]));
  const changed = drafts.flatMap((draft) => {
    const now = standing.get(draft.weight.id);
    return now !== undefined && isSame(draft, now) ? [] : [derivedFrom(draft, now, context)];
  });
  const voided = context.standing.flatMap((bmi) =>
    wanted.has(bmi.weightId) || bmi.status === 'entered-in-error' ? [] : [voidedBmi(bmi, context)],
  );
  return [...changed, ...voided];
}

function isSame(draft: BmiDraft, now: StandingBmi): boolean {
  return (
    now.status === statusOf(draft) &&
    now.heightId === draft.height.id &&
    now.valueText === draft.valueText &&
    now.flagged === flaggedIn(draft) &&
    now.effectiveText === draft.weight.effective.text
  );
}

/** A BMI is as final as its inputs: corrected or amended when one of them is. */
function statusOf({ weight, height }: BmiDraft): ObservationStatus {
  const statuses = [weight.status, height.status];
  return statuses.find((status) => status === 'corrected') ?? statuses.find((status) => status === 'amended') ?? 'final';
}

/** In doubt as long as one of its inputs is. */
function flaggedIn({ weight, height }: BmiDraft): true | undefined {
  return weight.flagged ?? height.flagged;
}

function derivedFrom(draft: BmiDraft, now: StandingBmi | undefined, context: DerivationContext): Derived {
  const { weight, height, valueText } = draft;
  const flagged = flaggedIn(draft);
  const standing = {
    weightId: weight.id,
    heightId: height.id,
    valueText,
    effectiveText: weight.effective.text,
    ...(flagged && { flagged }),
  };
  const inputs = [weight, height].map(({ id, version }) => entity('derivation', `Observation/${id}/_history/${version}`));
  const place = { id: now?.id ?? bmiIdOf(weight), version: (now?.version ?? 0) + 1 };
  return toDerived({ ...standing, ...place, status: statusOf(draft) }, weight.effective, inputs, context);
}

function voidedBmi(now: StandingBmi, context: DerivationContext): Derived {
  const effective = parseDateTime(now.effectiveText);
  if (effective === undefined) throw new Error(`BMI ${now.id} is stored without a readable time`);
  const revised = entity('revision', `Observation/${now.id}/_history/${now.version}`);
  return toDerived({ ...now, status: 'entered-in-error', version: now.version + 1 }, effective, [revised], context);
}

function toDerived(
  bmi: StandingBmi,
  effective: Effective,
  entities: readonly fhir4.ProvenanceEntity[],
  context: DerivationContext,
): Derived {
  const { id, weightId, heightId, valueText, effectiveText, flagged, status, version } = bmi;
  const observation = {
    resourceType: 'Observation',
    id,
    meta: { profile: [R4_PROFILE.bmi, OURS.bmiProfile], ...(flagged && { tag: [IN_DOUBT_TAG] }) },
    identifier: [{ system: OURS.observationIdentifier, value: id }],
    status,
    category: [{ coding: [VITAL_SIGNS_CATEGORY] }],
    code: { coding: [{ system: SYSTEM.loinc, ...PARENT_CODE.bmi }] },
    subject: referenceOf(context.person.key),
    effectiveDateTime: effectiveText,
    valueQuantity: { value: exactNumber(valueText), unit: 'kg/m2', system: SYSTEM.ucum, code: 'kg/m2' },
    derivedFrom: [{ reference: `Observation/${weightId}` }, { reference: `Observation/${heightId}` }],
  } as ExactObservation;
  const facts = factsOf(observation, {
    of: 'bmi',
    person: context.person.key,
    held: false,
    effective,
    standing: { weightId, heightId, valueText, effectiveText, ...(flagged && { flagged }) },
  });
  const provenance = toProvenance(
    {
      target: { id, version },
      verdict: 'accepted',
      findings: [],
      additions: [],
      entities,
      activity: version === 1 ? 'CREATE' : 'UPDATE',
      ...(context.decidedBy && { decidedBy: context.decidedBy }),
    },
    context,
  );
  return { id, version, observation, facts, provenance };
}

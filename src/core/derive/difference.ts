/**
 * From the derived Observations that stand to those that ought to exist: create, new version, or
 * entered in error. Storing this difference leaves nothing stale, whatever came before.
 */
import type * as fhir4 from 'fhir/r4.js';
import { factsOf, type ObservationFacts, type StandingFacts } from '../facts.ts';
import { parseDateTime, type Effective } from '../fhir-time.ts';
import { exactNumber, parseExactJson, stringifyExact } from '../json.ts';
import type { ExactObservation } from '../observation.ts';
import { entity, referenceOf, toProvenance, type DecidedBy } from '../provenance.ts';
import { isStandingBmi, type Context, type Reading, type StandingDerived } from '../reading.ts';
import {
  ESTIMATED_TAG,
  IN_DOUBT_TAG,
  OURS,
  PARENT_CODE,
  R4_PROFILE,
  SYSTEM,
  VITAL_SIGNS_CATEGORY,
  type ObservationStatus,
} from '../terminology.ts';
import type { BmiDraft } from './bmi.ts';
import { derivedIdOf, KINDS, type Content, type DerivedKind, type Draft } from './draft.ts';

export interface Derived {
  readonly id: string;
  readonly version: number;
  readonly observation: ExactObservation;
  readonly facts: ObservationFacts;
  readonly provenance: fhir4.Provenance;
}

/** What a derivation depends on besides the readings. */
export type DerivationContext = Pick<Context, 'nowMs' | 'policy' | 'person' | 'standing' | 'growth'> & DecidedBy;

/** A derived Observation of either origin: one that stands, or one that ought to. */
interface Figure {
  readonly kind: DerivedKind;
  readonly id: string;
  readonly version: number;
  readonly status: ObservationStatus;
  readonly of: string;
  readonly inputs: readonly string[];
  readonly effectiveText: string;
  readonly content: Content;
}

export function bmiIdOf(reading: Pick<Reading, 'id' | 'moves'>): string {
  return derivedIdOf('bmi', reading);
}

export function bmiDraft({ weight, height, valueText, isEstimated }: BmiDraft): Draft {
  return { kind: 'bmi', of: weight, inputs: [weight, height], content: bmiContent({ valueText, ...(isEstimated && { isEstimated }) }) };
}

function bmiContent({ valueText, isEstimated }: Pick<BmiDraft, 'valueText' | 'isEstimated'>): Content {
  return {
    meta: { profile: [R4_PROFILE.bmi, OURS.bmiProfile], ...(isEstimated && { tag: [ESTIMATED_TAG] }) },
    category: [{ coding: [VITAL_SIGNS_CATEGORY] }],
    code: { coding: [{ system: SYSTEM.loinc, ...PARENT_CODE.bmi }] },
    valueQuantity: { value: exactNumber(valueText), unit: 'kg/m2', system: SYSTEM.ucum, code: 'kg/m2' },
    ...(isEstimated && { method: { text: ESTIMATED_TAG.display } }),
  };
}

/** What has to be stored so that exactly these drafts stand. */
export function difference(wantedDrafts: readonly Draft[], context: DerivationContext): Derived[] {
  const drafts = wantedDrafts.map(markedWhenInDoubt);
  const standing = new Map(context.standing.map(toFigure).map((figure) => [keyOf(figure), figure]));
  const wanted = new Set(drafts.map((draft) => keyOf({ kind: draft.kind, of: draft.of.id })));
  const changed = drafts.flatMap((draft) => {
    const now = standing.get(keyOf({ kind: draft.kind, of: draft.of.id }));
    return now !== undefined && isSame(draft, now) ? [] : [made(draft, now, context)];
  });
  const voided = [...standing.values()].flatMap((figure) =>
    wanted.has(keyOf(figure)) || figure.status === 'entered-in-error' ? [] : [voidedFigure(figure, context)],
  );
  return [...changed, ...voided];
}

/** A figure is in doubt as long as one of its inputs is. */
function markedWhenInDoubt(draft: Draft): Draft {
  return draft.inputs.some(({ flagged }) => flagged) ? { ...draft, content: inDoubt(draft.content) } : draft;
}

function inDoubt(content: Content): Content {
  return { ...content, meta: { ...content.meta, tag: [...(content.meta?.tag ?? []), IN_DOUBT_TAG] } };
}

function keyOf({ kind, of }: Pick<Figure, 'kind' | 'of'>): string {
  return `${kind} ${of}`;
}

function toFigure(standing: StandingDerived): Figure {
  if (isStandingBmi(standing)) {
    const { weightId, heightId, valueText, isEstimated, flagged, ...rest } = standing;
    const content = bmiContent({ valueText, ...(isEstimated && { isEstimated }) });
    return { ...rest, kind: 'bmi', of: weightId, inputs: [weightId, heightId], content: flagged ? inDoubt(content) : content };
  }
  const parsed = parseExactJson(standing.content);
  if (!parsed.ok) throw new Error(`${standing.kind} ${standing.id} is stored without a readable content`);
  return { ...standing, content: parsed.value as unknown as Content };
}

function isSame(draft: Draft, now: Figure): boolean {
  return (
    now.status === statusOf(draft) &&
    now.inputs.length === draft.inputs.length &&
    now.inputs.every((id, place) => id === draft.inputs[place]?.id) &&
    now.effectiveText === draft.of.effective.text &&
    stringifyExact(now.content) === stringifyExact(draft.content)
  );
}

/** A figure is as final as its inputs: corrected or amended when one of them is. */
function statusOf({ inputs }: Draft): ObservationStatus {
  const statuses = inputs.map(({ status }) => status);
  return statuses.find((status) => status === 'corrected') ?? statuses.find((status) => status === 'amended') ?? 'final';
}

function made(draft: Draft, now: Figure | undefined, context: DerivationContext): Derived {
  const { kind, of, inputs, content } = draft;
  const figure: Figure = {
    kind,
    id: now?.id ?? derivedIdOf(kind, of),
    version: (now?.version ?? 0) + 1,
    status: statusOf(draft),
    of: of.id,
    inputs: inputs.map(({ id }) => id),
    effectiveText: of.effective.text,
    content,
  };
  const from = inputs.map(({ id, version }) => entity('derivation', `Observation/${id}/_history/${version}`));
  return toDerived(figure, of.effective, from, context);
}

function voidedFigure(now: Figure, context: DerivationContext): Derived {
  const effective = parseDateTime(now.effectiveText);
  if (effective === undefined) throw new Error(`${now.kind} ${now.id} is stored without a readable time`);
  const revised = entity('revision', `Observation/${now.id}/_history/${now.version}`);
  return toDerived({ ...now, status: 'entered-in-error', version: now.version + 1 }, effective, [revised], context);
}

function toDerived(figure: Figure, effective: Effective, entities: readonly fhir4.ProvenanceEntity[], context: DerivationContext): Derived {
  const { id, kind, status, version, inputs, effectiveText, content } = figure;
  const { meta, extension, category, code, valueQuantity, method, component } = content;
  const observation = {
    resourceType: 'Observation',
    id,
    ...(meta && { meta }),
    ...(extension && { extension }),
    identifier: [{ system: OURS.observationIdentifier, value: id }],
    status,
    ...(category && { category }),
    code,
    subject: referenceOf(context.person.key),
    effectiveDateTime: effectiveText,
    ...(valueQuantity && { valueQuantity }),
    ...(method && { method }),
    derivedFrom: inputs.map((input) => ({ reference: `Observation/${input}` })),
    ...(component && { component }),
  } as ExactObservation;
  const facts = factsOf(observation, {
    of: KINDS[kind].about,
    person: context.person.key,
    held: false,
    effective,
    standing: standingFacts(figure),
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

/** A BMI keeps the short form in which it always was stored. */
function standingFacts({ kind, of, inputs, effectiveText, content }: Figure): StandingFacts {
  if (kind !== 'bmi') return { kind, of, inputs, effectiveText, content: stringifyExact(content) };
  const [weightId = '', heightId = ''] = inputs;
  return {
    weightId,
    heightId,
    valueText: content.valueQuantity?.value?.value ?? '',
    effectiveText,
    ...(hasTag(content, ESTIMATED_TAG) && { isEstimated: true }),
    ...(hasTag(content, IN_DOUBT_TAG) && { flagged: true }),
  };
}

function hasTag({ meta }: Content, { code }: { readonly code: string }): boolean {
  return (meta?.tag ?? []).some((tag) => tag.system === OURS.tagSystem && tag.code === code);
}

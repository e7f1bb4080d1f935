/**
 * What only this service may say of a reading: its own identifier, that it waits, that it repeats
 * another, how it compares, what was decided of it. Marks are put on and taken off whole, so that the same reading may be
 * judged again; whatever its sender wrote stays as it came.
 */
import type * as fhir4 from 'fhir/r4.js';
import { exactNumber, type Exact } from '../json.ts';
import type { ExactObservation } from '../observation.ts';
import type { Comparison, Context, Reading } from '../reading.ts';
import {
  COARSE_TAG,
  HELD_TAG,
  IN_DOUBT_TAG,
  OBSERVATION_STATUSES,
  OURS,
  REPEAT_TAG,
  SYSTEM,
  UNASSIGNED_TAG,
  WEIGH_AGAIN_TAG,
  type ObservationStatus,
} from '../terminology.ts';
import { isUnassigned } from '../unassigned.ts';

type Extension = Exact<fhir4.Extension>;

const STANDING_TAGS: ReadonlySet<string> = new Set([
  HELD_TAG.code,
  REPEAT_TAG.code,
  WEIGH_AGAIN_TAG.code,
  UNASSIGNED_TAG.code,
  IN_DOUBT_TAG.code,
]);
const STANDING_EXTENSIONS: ReadonlySet<string> = new Set([
  OURS.statusAsSentExtension,
  OURS.comparisonExtension,
  OURS.repeatOfExtension,
  OURS.movedToExtension,
  OURS.movedFromExtension,
]);

/** What this service says of its decisions stands in a Provenance; on a reading it could only be forged. */
const SAID_ELSEWHERE: ReadonlySet<string> = new Set([OURS.decisionExtension, OURS.enrichmentExtension, OURS.policyVersionExtension]);

/**
 * Removes what a sender may not say: our identifier, our tags, the marks of a standing. A
 * correction of a reading that we hold gets back the status that its sender gave it.
 */
export function withoutServiceMarks(observation: ExactObservation, { replaces }: Pick<Context, 'replaces'> = {}): ExactObservation {
  const { identifier, meta, extension, ...rest } = observation;
  const identifiers = identifier?.filter(({ system }) => system !== OURS.observationIdentifier) ?? [];
  const tags = meta?.tag?.filter(({ system }) => system !== OURS.tagSystem) ?? [];
  const extensions = extension?.filter(({ url }) => !STANDING_EXTENSIONS.has(url) && !SAID_ELSEWHERE.has(url)) ?? [];
  const { tag: _tag, versionId: _versionId, lastUpdated: _lastUpdated, ...otherMeta } = meta ?? {};
  const cleanMeta = { ...otherMeta, ...(tags.length > 0 && { tag: tags }) };
  const status = replaces?.held ? statusAsSent(observation) : observation.status;
  return reordered(observation, {
    ...rest,
    status,
    ...(identifiers.length > 0 && { identifier: identifiers }),
    ...(extensions.length > 0 && { extension: extensions }),
    ...(Object.keys(cleanMeta).length > 0 && { meta: cleanMeta }),
  });
}

/** The stored Observation with the marks of another standing; id and version marks are the store's business. */
export function withStanding(stored: ExactObservation, reading: Reading): ExactObservation {
  const { meta, extension, ...rest } = stored;
  const tags = meta?.tag?.filter(({ system, code }) => system !== OURS.tagSystem || !STANDING_TAGS.has(code ?? '')) ?? [];
  const extensions = extension?.filter(({ url }) => !STANDING_EXTENSIONS.has(url)) ?? [];
  const { tag: _tag, ...otherMeta } = meta ?? {};
  return withMarks(
    {
      ...rest,
      // a recall withdraws what its sender did not
      status: reading.status === 'entered-in-error' ? reading.status : statusAsSent(stored),
      ...(extensions.length > 0 && { extension: extensions }),
      meta: { ...otherMeta, ...(tags.length > 0 && { tag: tags }) },
    },
    reading,
  );
}

/** Puts the marks of a standing on an Observation that has none. */
export function withMarks(observation: ExactObservation, reading: Reading): ExactObservation {
  const { held, repeatOf, comparison, decided, movedFrom, flagged } = reading;
  const tags = [...(held ? waitingTags(reading) : []), ...(repeatOf === undefined ? [] : [REPEAT_TAG]), ...(flagged ? [IN_DOUBT_TAG] : [])];
  const extensions: Extension[] = [
    ...(held ? [{ url: OURS.statusAsSentExtension, valueCode: observation.status }] : []),
    ...(repeatOf === undefined ? [] : [{ url: OURS.repeatOfExtension, valueReference: referenceTo(repeatOf) }]),
    ...(comparison && !held ? [comparisonExtension(comparison)] : []),
    ...(decided?.movedTo === undefined ? [] : [{ url: OURS.movedToExtension, valueReference: referenceTo(decided.movedTo) }]),
    ...(movedFrom === undefined ? [] : [{ url: OURS.movedFromExtension, valueReference: referenceTo(movedFrom) }]),
  ];
  return {
    ...observation,
    ...(held && { status: 'preliminary' }),
    ...(tags.length > 0 && { meta: { ...observation.meta, tag: [...(observation.meta?.tag ?? []), ...tags] } }),
    ...(extensions.length > 0 && { extension: [...(observation.extension ?? []), ...extensions] }),
  };
}

/** That it waits, and for what beside a second weighing or a decision. */
function waitingTags({ askedAgain, person }: Reading): (typeof HELD_TAG | typeof WEIGH_AGAIN_TAG | typeof UNASSIGNED_TAG)[] {
  return [HELD_TAG, ...(askedAgain === undefined ? [] : [WEIGH_AGAIN_TAG]), ...(isUnassigned(person) ? [UNASSIGNED_TAG] : [])];
}

function referenceTo(id: string): Exact<fhir4.Reference> {
  return { reference: `Observation/${id}` };
}

function comparisonExtension({ previous, reasons, changeKg, changePercent, changePerDayKg, lastComparable }: Comparison): Extension {
  return {
    url: OURS.comparisonExtension,
    extension: [
      { url: 'previous', valueReference: referenceTo(previous) },
      { url: 'comparable', valueBoolean: reasons.length === 0 },
      ...reasons.map((reason) => ({ url: 'reason', valueCode: reason })),
      { url: 'change', valueQuantity: amount(changeKg, 'kg') },
      { url: 'changePercent', valueQuantity: amount(changePercent, '%') },
      ...(changePerDayKg === undefined ? [] : [{ url: 'changePerDay', valueQuantity: amount(changePerDayKg, 'kg/d') }]),
      ...(lastComparable === undefined ? [] : [{ url: 'lastComparable', valueReference: referenceTo(lastComparable) }]),
    ],
  };
}

/** Signs are for people; a FHIR decimal has no plus. */
function amount(text: string, code: string): Exact<fhir4.Quantity> {
  return { value: exactNumber(text.replace('+', '')), unit: code, system: SYSTEM.ucum, code };
}

/** The status that its sender gave it, where we put `preliminary` in its place. */
export function statusAsSent(observation: ExactObservation): ObservationStatus {
  const code = observation.extension?.find(({ url }) => url === OURS.statusAsSentExtension)?.valueCode;
  const asSent = OBSERVATION_STATUSES.find((status) => status === code);
  return observation.status === 'preliminary' && asSent !== undefined ? asSent : observation.status;
}

/** The same members in the order in which `like` has them, so that a copy reads like its original. */
function reordered(like: ExactObservation, members: ExactObservation): ExactObservation {
  return Object.fromEntries(
    Object.entries(like).flatMap(([key]) => (key in members ? [[key, members[key as keyof ExactObservation]]] : [])),
  ) as unknown as ExactObservation;
}

/** The mark that the policy asks for when it lets a coarse scale's reading pass. */
export function asCoarse(observation: ExactObservation): ExactObservation {
  return { ...observation, meta: { ...observation.meta, tag: [...(observation.meta?.tag ?? []), COARSE_TAG] } };
}

/** I3 to I6: what the EHR was made to hold, against what the store says. */
import { answeredReadings, isAcknowledged, removedPersons } from '../history.ts';
import type { Evidence, Received, StoredObservation } from '../evidence.ts';
import {
  contentKey,
  current,
  gatewayIdentifiers,
  identityAtEhr,
  isAccepted,
  isHeld,
  isVoid,
  statusOf,
  subjectOf,
  substance,
} from '../observed.ts';
import { looked, type Finding } from './finding.ts';
import { ownersOf } from './owner.ts';

export function checkOnce(evidence: Evidence): Finding {
  return looked(evidence.received.length, doubledAtEhr(evidence));
}

/** By our identifier, by the gateway's, and by what was measured. */
export function doubledAtEhr({ received }: Pick<Evidence, 'received'>): readonly string[] {
  const observations = received.filter(({ type }) => type === 'Observation');
  return [
    ...repeated(
      received.map((one) => [one, identityAtEhr(one)]),
      'our identity',
    ),
    ...repeated(
      observations.flatMap((one) => gatewayIdentifiers(one.content).map((identifier) => [one, identifier] as const)),
      'the identifier',
    ),
    ...repeated(
      observations.map((one) => [one, contentKey(one.content)]),
      'the content',
    ),
  ];
}

function repeated(pairs: readonly (readonly [Received, string | undefined])[], what: string): string[] {
  const seen = new Map<string, string>();
  return pairs.flatMap(([{ reference, type }, key]) => {
    if (key === undefined) return [`${reference} does not bear ${what}`];
    const first = seen.get(`${type} ${key}`);
    seen.set(`${type} ${key}`, first ?? reference);
    return first === undefined || first === reference ? [] : [`${reference} has ${what} of ${first}`];
  });
}

export function checkArrived(evidence: Evidence): Finding {
  const { stored, outbox } = evidence;
  const ownerOf = ownersOf(evidence);
  const there = new Set(copiesOfReadings(evidence).flatMap((copy) => ownerOf(copy)?.id ?? []));
  const counting = stored.filter((one) => isAccepted(current(one).content));
  return looked(counting.length, [
    ...outbox
      .filter(({ state }) => state === 'waiting' || state === 'parked')
      .map(({ number, state, reason }) => `item ${number} is ${state}: ${reason ?? 'not tried'}`),
    ...counting.filter(({ id }) => !there.has(id)).map(({ id }) => `${id} counts and is not at the EHR`),
  ]);
}

/** What the EHR can act on. */
const ACTED_ON: readonly string[] = ['final', 'amended', 'corrected'];

export function checkHeldStays(evidence: Evidence): Finding {
  const { stored, history } = evidence;
  const ownerOf = ownersOf(evidence);
  const acknowledged = new Set(
    answeredReadings(history)
      .filter(isAcknowledged)
      .map(({ reading }) => reading.identifier),
  );
  const refused = new Set(
    answeredReadings(history)
      .filter(({ answer }) => answer.status === 422)
      .map(({ reading }) => reading.identifier)
      .filter((identifier) => !acknowledged.has(identifier)),
  );
  const doubtful = stored.filter((one) => isHeld(current(one).content) || isVoid(current(one).content));
  const found = copiesOfReadings(evidence).flatMap((copy) => whyNotThere(copy, ownerOf(copy), refused));
  return looked(doubtful.length + refused.size, found);
}

function whyNotThere({ reference, content }: Received, own: StoredObservation | undefined, refused: ReadonlySet<string>): string[] {
  if (gatewayIdentifiers(content).some((identifier) => refused.has(identifier))) return [`${reference} was refused`];
  if (own === undefined) return [`${reference} is nothing of ours`];
  if (own.versions.every((version) => isHeld(version.content))) return [`${reference} was never anything but held`];
  const now = current(own).content;
  if (!ACTED_ON.includes(statusOf(content))) return [];
  if (isHeld(now)) return [`${reference} is ${statusOf(content)}, and we hold it`];
  return isVoid(now) ? [`${reference} is ${statusOf(content)}, and it is void`] : [];
}

export function checkOrder(evidence: Evidence): Finding {
  const ownerOf = ownersOf(evidence);
  const copies = copiesOfReadings(evidence);
  const found = copies.flatMap((copy) => {
    const own = ownerOf(copy);
    if (own === undefined || substance(current(own).content) === substance(copy.content)) return [];
    const place = own.versions.findLast(({ content }) => substance(content) === substance(copy.content));
    return [`${copy.reference} is ${own.id} as of version ${place?.version ?? 'none'}, not ${current(own).version}`];
  });
  return looked(copies.length, found);
}

/** Observations at the EHR, but for those of persons whom the store was told to forget: the EHR keeps its own time. */
function copiesOfReadings({ received, history }: Evidence): readonly Received[] {
  const removed = removedPersons(history);
  return received.filter(({ type, content }) => type === 'Observation' && !removed.has(subjectOf(content)));
}

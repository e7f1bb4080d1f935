/** I1: whoever was answered 2xx may forget the reading, so it must be in the store, digit for digit. */
import type { Evidence, StoredObservation } from '../evidence.ts';
import { answeredReadings, forgottenCalls, isAcknowledged, removedPersons, type Acknowledged } from '../history.ts';
import { digitsIn, statusOf } from '../observed.ts';
import { looked, type Finding } from './finding.ts';

export function checkDurable(evidence: Evidence): Finding {
  const lost = lostReadings(evidence);
  return looked(answeredReadings(evidence.history).filter(isAcknowledged).length, [...lost.values()]);
}

/** Why a reading that was acknowledged is not in the store as it was sent, by its identifier. */
export function lostReadings({ history, stored, placeOf }: Evidence): ReadonlyMap<string, string> {
  const byId = new Map(stored.map((one) => [one.id, one]));
  const lost = new Map<string, string>();
  const [forgotten, removed] = [forgottenCalls(history), removedPersons(history)];
  for (const line of answeredReadings(history).filter(isAcknowledged)) {
    if (removed.has(line.reading.person)) continue;
    // a reading that came again after a restore has another id, but must have come again
    const { id: _id, ...answer } = line.answer;
    const why = whyLost(forgotten.has(line.n) ? { ...line, answer } : line, placeOf.get(line.reading.identifier) ?? [], byId);
    if (why !== undefined) lost.set(line.reading.identifier, `call ${line.n}: ${why}`);
  }
  return lost;
}

function whyLost(
  { reading, answer }: Acknowledged,
  places: readonly string[],
  byId: ReadonlyMap<string, StoredObservation>,
): string | undefined {
  const [id, another] = places;
  if (id === undefined) return `acknowledged with ${answer.status}, and the store knows nothing of it`;
  if (another !== undefined) return 'the store gives one identifier to two readings';
  if (answer.id !== undefined && answer.id !== id) return `acknowledged as ${answer.id}, stored as ${id}`;
  const versions = byId.get(id)?.versions ?? [];
  const asSent = versions.filter(({ content }) => digitsIn(content) === reading.digits);
  if (asSent.length === 0) return `no version of ${id} has the digits ${reading.digits}`;
  // what is held is kept as preliminary, with the status that was sent beside it
  const isThere = reading.status === 'final' || asSent.some(({ content }) => [reading.status, 'preliminary'].includes(statusOf(content)));
  return isThere ? undefined : `no version of ${id} is ${reading.status}`;
}

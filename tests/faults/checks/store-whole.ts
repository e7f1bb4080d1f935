/** I2 and the counts of I8: what belongs together is in the store together, and nothing is there from nowhere. */
import { answeredReadings, forgottenCalls, isAcknowledged } from '../history.ts';
import type { Evidence, StoredObservation } from '../evidence.ts';
import { current, gatewayIdentifiers, isAccepted, isDerived } from '../observed.ts';
import { looked, type Finding } from './finding.ts';

export function checkAtomic({ stored, placeOf, outbox }: Evidence): Finding {
  const known = new Map(stored.map((one) => [one.id, one]));
  const queued = new Set(outbox.flatMap(({ resources }) => resources.map(({ id, version }) => `${id} ${version}`)));
  const found = [
    ...stored.flatMap((one) => lacking(one, placeOf, queued)),
    ...outbox.flatMap(({ number, resources }) =>
      resources
        .filter(({ type, id, version }) => type === 'Observation' && (known.get(id)?.versions.length ?? 0) < version)
        .map(({ id, version }) => `item ${number} names ${id} version ${version}, which is not stored`),
    ),
    ...instantsOutOfOrder(stored),
  ];
  return looked(stored.length, found);
}

function lacking({ id, versions, hasProvenance }: StoredObservation, placeOf: Evidence['placeOf'], queued: ReadonlySet<string>): string[] {
  const { content, version } = current({ id, versions, hasProvenance });
  const unexplained = versions.filter((_, index) => hasProvenance[index] !== true);
  const gaps = versions.filter((one, index) => one.version !== index + 1);
  const forgotten = gatewayIdentifiers(content).filter((identifier) => placeOf.get(identifier)?.includes(id) === false);
  return [
    ...unexplained.map((one) => `${id} version ${one.version} has no Provenance`),
    ...gaps.map((one) => `${id} version ${one.version} follows no version before it`),
    ...forgotten.map(() => `${id} is stored, and its identifier is not remembered`),
    ...(isAccepted(content) && !queued.has(`${id} ${version}`) ? [`${id} version ${version} counts and no outbox item names it`] : []),
  ];
}

/** Whoever pulls by `_lastUpdated` must never have to look back, whatever the clock did. */
function instantsOutOfOrder(stored: readonly StoredObservation[]): string[] {
  const instants = stored.flatMap(({ versions }) => versions.map(({ lastUpdated }) => lastUpdated));
  const backwards = stored.flatMap(({ id, versions }) =>
    versions.flatMap(({ version, lastUpdated }, index) => {
      const before = versions[index - 1];
      return before !== undefined && before.lastUpdated >= lastUpdated ? [`${id} version ${version} is not later than the one before`] : [];
    }),
  );
  return new Set(instants).size === instants.length ? backwards : [...backwards, 'two versions bear the same instant'];
}

/** Readings received = readings stored + readings refused, each explained by a call. */
export function checkCounts({ history, stored, placeOf, refused }: Evidence): Finding {
  const sent = new Set(history.flatMap((line) => (line.at === 'call' ? line.readings.map(({ identifier }) => identifier) : [])));
  const measured = stored.filter((one) => !isDerived(current(one).content));
  const acknowledged = answeredReadings(history).filter(isAcknowledged);
  const places = new Set(acknowledged.flatMap(({ reading }) => placeOf.get(reading.identifier) ?? []));
  const unexplained = measured.filter(({ id, versions }) => {
    const identifiers = versions.flatMap(({ content }) => gatewayIdentifiers(content));
    return !places.has(id) && !identifiers.some((identifier) => sent.has(identifier));
  });
  const forgotten = forgottenCalls(history);
  const answeredRefusals = history.filter(
    (line) => line.at === 'answer' && !forgotten.has(line.n) && (line.status === 422 || line.status === 409),
  ).length;
  return looked(measured.length, [
    ...unexplained.map(({ id }) => `${id} is stored, and nobody sent it`),
    ...(answeredRefusals > refused.length ? [`${answeredRefusals} readings were refused, ${refused.length} refusals are kept`] : []),
  ]);
}

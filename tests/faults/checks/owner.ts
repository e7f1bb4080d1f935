/** Whose copy it is that the EHR holds. */
import type { Evidence, Received, StoredObservation } from '../evidence.ts';
import { identityValuesIn } from '../../../src/forward/identity.ts';
import { gatewayIdentifiers, identityAtEhr } from '../observed.ts';

const UUID = /[\da-f]{8}(?:-[\da-f]{4}){3}-[\da-f]{12}/g;

/**
 * By our identifier. What came again after a restore has another id than its copy at the EHR tells;
 * then by what its gateway calls it, and a figure by the reading that its id is made of.
 */
export function ownersOf({ stored, received, placeOf, history }: Evidence): (copy: Received) => StoredObservation | undefined {
  const ours = new Map(stored.map((one) => [one.id, one]));
  const byIdentity = (copy: Received): StoredObservation | undefined => ours.get(identityAtEhr(copy) ?? '');
  if (!history.some(({ at }) => at === 'restored')) return byIdentity;
  const renamed = new Map<string, string>();
  for (const copy of received) {
    const [place] = gatewayIdentifiers(copy.content).flatMap((identifier) => placeOf.get(identifier) ?? []);
    if (copy.type !== 'Observation' || place === undefined) continue;
    for (const identity of identityValuesIn('Observation', copy.content)) renamed.set(identity, place);
  }
  const nameNow = (identity: string): string => identity.replaceAll(UUID, (id) => renamed.get(id) ?? id);
  return (copy) => byIdentity(copy) ?? ours.get(nameNow(identityAtEhr(copy) ?? ''));
}

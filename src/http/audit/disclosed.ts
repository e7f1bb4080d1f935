/**
 * Of whom and what an answer tells, read off the answer itself, so that no handler can forget it. Only
 * ids and references are looked at; values and names stay where they are.
 */
import { logicalKey } from '../../core/pointers.ts';
import type { Store } from '../../ports.ts';

export interface Disclosed {
  /** `Observation/a/_history/2` */
  readonly resources: readonly string[];
  /** Keys of people. */
  readonly persons: readonly string[];
}

interface Reference {
  readonly reference?: unknown;
  readonly identifier?: { readonly system?: unknown; readonly value?: unknown };
}

/** As far as it is looked at; what is sent out conforms, so no member has another shape. */
interface Resource {
  readonly resourceType?: string;
  readonly id?: string;
  readonly meta?: { readonly versionId?: string };
  readonly subject?: Reference;
  readonly patient?: Reference;
  readonly target?: readonly Reference[];
  readonly entry?: readonly { readonly resource?: Resource }[];
  readonly parameter?: readonly { readonly resource?: Resource }[];
}

const TOLD_OF = new Set(['Observation', 'Patient', 'Device', 'DeviceMetric', 'Provenance']);

/** @param store asked whose the Observations are that a Provenance speaks of */
export async function disclosedIn(text: string, store: Pick<Store, 'read'>): Promise<Disclosed> {
  // eslint-disable-next-line no-restricted-syntax -- only references are read off; nothing of this tree is sent or stored
  const found = resourcesIn(JSON.parse(text) as Resource);
  const stored = found.filter(({ id, meta }) => id !== undefined && meta?.versionId !== undefined);
  const targets = found.flatMap(({ resourceType, target = [] }) => (resourceType === 'Provenance' ? target : []));
  const observations = [...new Set(targets.flatMap((target) => idIn(target, 'Observation') ?? []))];
  return {
    resources: [
      ...new Set(stored.map(({ resourceType = '', id = '', meta }) => `${resourceType}/${id}/_history/${meta?.versionId ?? ''}`)),
    ],
    persons: [...new Set([...found.flatMap(personsOf), ...(await subjectsOf(observations, store))])],
  };
}

function resourcesIn(resource: Resource): Resource[] {
  const { resourceType = '', entry = [], parameter = [] } = resource;
  if (resourceType === 'Bundle') return entry.flatMap((one) => (one.resource ? resourcesIn(one.resource) : []));
  if (resourceType === 'Parameters') return parameter.flatMap((one) => (one.resource ? resourcesIn(one.resource) : []));
  return TOLD_OF.has(resourceType) ? [resource] : [];
}

function personsOf({ resourceType, id, subject, patient }: Resource): string[] {
  if (resourceType === 'Patient') return id === undefined ? [] : [`Patient/${id}`];
  return [subject, patient].flatMap((reference) => (reference ? personKeysOf(reference) : []));
}

function personKeysOf(reference: Reference): string[] {
  const id = idIn(reference, 'Patient');
  const { system, value } = reference.identifier ?? {};
  return [
    ...(id === undefined ? [] : [`Patient/${id}`]),
    ...(typeof system === 'string' && typeof value === 'string' ? [logicalKey({ system, value })] : []),
  ];
}

/** Also under a base, which was known when the reference was taken in. */
function idIn({ reference }: Reference, type: 'Patient' | 'Observation'): string | undefined {
  if (typeof reference !== 'string') return undefined;
  const [, named, id] = /(?:^|\/)([A-Z][A-Za-z]{1,40})\/([A-Za-z0-9.-]{1,64})(?:\/_history\/[A-Za-z0-9.-]{1,64})?$/.exec(reference) ?? [];
  return named === type ? id : undefined;
}

/** At most as many as a page has. */
async function subjectsOf(ids: readonly string[], { read }: Pick<Store, 'read'>): Promise<string[]> {
  if (ids.length === 0) return [];
  const { resources } = await read.searchObservations({
    ids,
    includeHeld: true,
    sort: [{ by: '_id', descending: false }],
    count: ids.length,
  });
  // eslint-disable-next-line no-restricted-syntax -- as above
  return resources.flatMap(({ text }) => personsOf(JSON.parse(text) as Resource));
}

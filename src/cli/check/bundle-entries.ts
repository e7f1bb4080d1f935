/**
 * A Bundle's entries in the turn in which the service would take them: people and devices first, a
 * sender's own BMI last. References between entries are resolved, whatever the type of Bundle.
 */
import { withResolvedReferences } from '../../core/bundle.ts';
import { isJsonObject, type JsonObject } from '../../core/json.ts';
import { codedMeasure, type ExactObservation } from '../../core/observation.ts';

export type RegistryType = 'Patient' | 'Device' | 'DeviceMetric';

export interface CheckedEntry {
  /** FHIRPath of the resource from the file's root. */
  readonly root: string;
  readonly resource: JsonObject;
  readonly kind: 'registry' | 'reading' | 'other';
  /** The id that it has in this judgement. */
  readonly id: string;
}

const ID = /^[A-Za-z0-9\-.]{1,60}$/;

export function entriesOf(bundle: JsonObject): readonly CheckedEntry[] {
  const raw = Array.isArray(bundle['entry']) ? bundle['entry'] : [];
  const taken = new Set<string>();
  const entries = raw.flatMap((entry, index) => {
    if (!isJsonObject(entry) || !isJsonObject(entry['resource'])) return [];
    const { resource } = entry;
    const id = idFor(entry, resource, index, taken);
    const kind = kindOf(resource);
    return [{ fullUrl: entry['fullUrl'], root: `Bundle.entry[${index}].resource`, resource, kind, id }];
  });
  const places = new Map(
    entries.flatMap(({ fullUrl, resource, id }) => (typeof fullUrl === 'string' ? [[fullUrl, `${typeOf(resource)}/${id}`] as const] : [])),
  );
  return entries
    .map(({ fullUrl: _fullUrl, ...entry }) => ({ ...entry, resource: withResolvedReferences(entry.resource, places) }))
    .sort((a, b) => turnOf(a) - turnOf(b));
}

/** The resource's own id, or the one its address names; a made-up one when another entry has it already. */
function idFor(entry: JsonObject, resource: JsonObject, index: number, taken: Set<string>): string {
  const url = isJsonObject(entry['request']) ? entry['request']['url'] : undefined;
  const named = typeof url === 'string' ? /^[A-Za-z]+\/([^/?]+)$/.exec(url)?.[1] : undefined;
  const wanted = typeof resource['id'] === 'string' ? resource['id'] : named;
  const isFree = wanted !== undefined && ID.test(wanted) && !taken.has(`${typeOf(resource)}/${wanted}`);
  const id = isFree ? wanted : `entry-${index}`;
  taken.add(`${typeOf(resource)}/${id}`);
  return id;
}

/** The type that a resource claims. */
export function typeOf({ resourceType }: JsonObject): string {
  return typeof resourceType === 'string' ? resourceType : 'no type';
}

function kindOf({ resourceType }: JsonObject): CheckedEntry['kind'] {
  if (resourceType === 'Observation') return 'reading';
  return resourceType === 'Patient' || resourceType === 'Device' || resourceType === 'DeviceMetric' ? 'registry' : 'other';
}

function turnOf({ kind, resource }: CheckedEntry): number {
  if (kind !== 'reading') return 0;
  return measureOf(resource) === 'bmi' ? 2 : 1;
}

/** What the code says is measured, as far as a resource that may not conform can be read. */
export function measureOf({ code }: JsonObject): 'weight' | 'height' | 'bmi' | undefined {
  if (!isJsonObject(code) || !Array.isArray(code['coding']) || !code['coding'].every(isJsonObject)) return undefined;
  return codedMeasure({ code } as unknown as ExactObservation)?.of;
}

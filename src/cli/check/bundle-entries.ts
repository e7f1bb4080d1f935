/**
 * A Bundle's entries in the turn in which the service would take them: people and devices first, a
 * sender's own BMI last. References between entries are resolved, whatever the type of Bundle.
 */
import { withResolvedReferences } from '../../core/bundle.ts';
import { isJsonObject, type JsonObject } from '../../core/json.ts';
import { codedMeasure, type ExactObservation } from '../../core/observation.ts';

export type RegistryType = 'Patient' | 'Device' | 'DeviceMetric';

export interface CheckedEntry {
  /** FHIRPath of the resource from the text's root. */
  readonly root: string;
  readonly resource: JsonObject;
  readonly kind: 'registry' | 'reading' | 'other';
  /** The id that it has in this judgement. */
  readonly id: string;
}

const ID = /^[A-Za-z0-9\-.]{1,60}$/;

/** What the same judge had before. */
export interface Before {
  /** A Patient or Device of the same id is the same one, a reading never is. */
  readonly readingIds: Set<string>;
  /** How many entries there were, so that made-up ids differ. */
  entries: number;
}

/** The one entry of an Observation that stands alone; adds it to `before`. */
export function entryOf(resource: JsonObject, before: Before): CheckedEntry {
  const id = before.entries === 0 ? 'this' : `this-${before.entries}`;
  before.readingIds.add(id);
  before.entries += 1;
  return { root: 'Observation', resource, kind: 'reading', id };
}

/** Adds what it finds to `before`. */
export function entriesOf(bundle: JsonObject, before: Before): readonly CheckedEntry[] {
  const raw = Array.isArray(bundle['entry']) ? bundle['entry'] : [];
  const taken = new Set<string>();
  const { readingIds, entries: first } = before;
  before.entries += raw.length;
  const entries = raw.flatMap((entry, index) => {
    if (!isJsonObject(entry) || !isJsonObject(entry['resource'])) return [];
    const { resource } = entry;
    const kind = kindOf(resource);
    const id = idFor(entry, resource, { invented: `entry-${first + index}`, taken, readingIds });
    if (kind === 'reading') readingIds.add(id);
    return [{ fullUrl: entry['fullUrl'], root: `Bundle.entry[${index}].resource`, resource, kind, id }];
  });
  const places = new Map(
    entries.flatMap(({ fullUrl, resource, id }) => (typeof fullUrl === 'string' ? [[fullUrl, `${typeOf(resource)}/${id}`] as const] : [])),
  );
  return entries
    .map(({ fullUrl: _fullUrl, ...entry }) => ({ ...entry, resource: withResolvedReferences(entry.resource, places) }))
    .sort((a, b) => turnOf(a) - turnOf(b));
}

interface Ids {
  readonly invented: string;
  readonly taken: Set<string>;
  readonly readingIds: ReadonlySet<string>;
}

/** The resource's own id, or the one its address names; a made-up one when another entry has it already. */
function idFor(entry: JsonObject, resource: JsonObject, { invented, taken, readingIds }: Ids): string {
  const url = isJsonObject(entry['request']) ? entry['request']['url'] : undefined;
  const named = typeof url === 'string' ? /^[A-Za-z]+\/([^/?]+)$/.exec(url)?.[1] : undefined;
  const wanted = typeof resource['id'] === 'string' ? resource['id'] : named;
  const isReading = kindOf(resource) === 'reading';
  const isFree = wanted !== undefined && ID.test(wanted) && !taken.has(`${typeOf(resource)}/${wanted}`);
  const id = isFree && !(isReading && readingIds.has(wanted)) ? wanted : invented;
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

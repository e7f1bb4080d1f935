/** What a store holds and hands out: versions of resources. */

export type StoredType = 'Observation' | 'Patient' | 'Device' | 'DeviceMetric' | 'Provenance';

/** One version of a resource, as it is served: `text` holds id, versionId and lastUpdated. */
export interface StoredResource {
  readonly type: StoredType;
  readonly id: string;
  readonly version: number;
  /** FHIR instant with microseconds, strictly increasing over all versions of the store. */
  readonly lastUpdated: string;
  readonly text: string;
}

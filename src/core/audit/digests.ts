/** The hash of what was written, in the event that says so: a detail of the entity that names the version. */
import type * as fhir4 from 'fhir/r4.js';

const SHA_256 = 'sha256';

export function digestDetail(digest: string): fhir4.AuditEventEntityDetail {
  return { type: SHA_256, valueString: digest };
}

/** Each version that an event has a hash of: `Observation/a/_history/2`, and the hash in hex. */
export function digestsIn({ entity = [] }: Pick<fhir4.AuditEvent, 'entity'>): (readonly [reference: string, digest: string])[] {
  return entity.flatMap(({ what, detail = [] }) => {
    const digest = detail.find(({ type }) => type === SHA_256)?.valueString;
    return what?.reference === undefined || digest === undefined ? [] : [[what.reference, digest] as const];
  });
}

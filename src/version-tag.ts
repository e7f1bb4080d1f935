/**
 * The version of a resource as headers and Bundles write it: `W/"3"` (HL7 FHIR R4 4.0.1, RESTful
 * API, "Support for Versions"). Our versions are whole numbers from 1.
 */

const VERSION_TAG = /^(?:W\/)?"([1-9]\d{0,8})"$/;

/** The one version that `W/"n"` or `"n"` names; undefined for anything else, `*` and lists included. */
export function parseVersionTag(tag: string): number | undefined {
  const digits = VERSION_TAG.exec(tag)?.[1];
  return digits === undefined ? undefined : Number(digits);
}

export function toVersionTag(version: number): string {
  return `W/"${version}"`;
}

/**
 * Who gave an identifier, as a URI: HL7 v2 names assigners (HD, EI-2 to EI-4, CX-4) by a local
 * name, by something unique, or both; FHIR has one URI (HL7 v2-to-FHIR guide, HD to uri).
 */
import { CANONICAL_BASE } from '../core/terminology.ts';
import type { Segment } from './v2-message.ts';

/** FHIR's name for IEEE's EUI-64, and how it writes one (HL7 Personal Health Device guide, system id). */
const EUI_64_SYSTEM = 'urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680';

export interface Token {
  readonly system: string;
  readonly value: string;
}

export interface Assigner {
  readonly namespace: string;
  readonly universalId: string;
  readonly universalType: string;
}

/** URIs of local names, as the gateways file gives them. */
export type Systems = ReadonlyMap<string, string>;

/** The URI of an assigner; undefined when it is not named. */
export function systemOf({ namespace, universalId, universalType }: Assigner, systems: Systems): string | undefined {
  const universal = universalId === '' ? undefined : universalSystem(universalId, universalType.toUpperCase());
  if (universal !== undefined) return universal;
  const name = namespace === '' ? universalId : namespace;
  // without a URI of the site's, the local name stays apart from every real one under ours
  return name === '' ? undefined : (systems.get(name) ?? localSystem(name));
}

/** Stands for a name that only its site understands. */
export function localSystem(name: string): string {
  return `${CANONICAL_BASE}/identifier/v2-namespace/${encodeURIComponent(name)}`;
}

function universalSystem(id: string, type: string): string | undefined {
  switch (type) {
    case 'ISO':
      return /^[0-2](\.(0|[1-9]\d*)){1,}$/.test(id) ? `urn:oid:${id}` : undefined;
    case 'UUID':
    case 'GUID':
      return /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/i.test(id) ? `urn:uuid:${id.toLowerCase()}` : undefined;
    case 'URI':
    case 'URL':
      return /^[a-z][a-z0-9+.-]*:\S+$/i.test(id) ? id : undefined;
    default:
      return undefined;
  }
}

/** CX-4 of one repetition. */
export function assignerOfCx(segment: Segment, field: number, repetition: number): Assigner {
  const [namespace, universalId, universalType] = [1, 2, 3].map((part) => segment.text(field, 4, part, repetition)) as [
    string,
    string,
    string,
  ];
  return { namespace, universalId, universalType };
}

/** An HD that is a field of its own, such as MSH-3. */
export function assignerOfHd(segment: Segment, field: number): Assigner {
  return { namespace: segment.text(field, 1), universalId: segment.text(field, 2), universalType: segment.text(field, 3) };
}

/** EI-2 to EI-4 of a field. */
function assignerOfEi(segment: Segment, field: number): Assigner {
  return { namespace: segment.text(field, 2), universalId: segment.text(field, 3), universalType: segment.text(field, 4) };
}

/**
 * An entity identifier (EI).
 *
 * @param fallback system of what has no assigner
 */
export function tokenOfEi(segment: Segment, field: number, systems: Systems, fallback?: string): Token | undefined {
  const value = segment.text(field);
  const system = systemOf(assignerOfEi(segment, field), systems) ?? fallback;
  return value === '' || system === undefined ? undefined : { system, value };
}

/**
 * The EI of a device. An EUI-64 is the device's own, wherever senders put the word:
 * `id^namespace^id^EUI-64`, `id^^id^EUI-64`, `id^EUI-64`.
 */
export function tokenOfDevice(segment: Segment, field: number, systems: Systems, fallback?: string): Token | undefined {
  const { namespace, universalId, universalType } = assignerOfEi(segment, field);
  if ([namespace, universalType].some((one) => one.toUpperCase() === 'EUI-64')) {
    const eui = toEui64(universalId === '' ? segment.text(field) : universalId);
    if (eui !== undefined) return { system: EUI_64_SYSTEM, value: eui };
  }
  return tokenOfEi(segment, field, systems, fallback);
}

/** Eight bytes as `FE-ED-AB-EE-DE-AD-77-C3`. */
function toEui64(text: string): string | undefined {
  const digits = text.replace(/[-:.]/g, '').toUpperCase();
  return /^[0-9A-F]{16}$/.test(digits) ? (digits.match(/../g) ?? []).join('-') : undefined;
}

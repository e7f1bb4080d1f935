/** Is this reading stored already? By the sender's identifier first, then by what was measured. */
import { contentFingerprintOf, fingerprintOf, identifierKeyOf } from '../core/fingerprint.ts';
import { finding, type Finding } from '../core/finding.ts';
import type { ExactObservation } from '../core/observation.ts';
import type { Reading } from '../core/reading.ts';
import { identifierConflict, resent } from '../core/rules/identity.ts';
import { OURS } from '../core/terminology.ts';
import { treeOf } from './context.ts';
import type { StoredResource, StoreReader, StoreWriter } from '../ports.ts';

interface Resend {
  readonly kind: 'resend';
  readonly resource: StoredResource;
  readonly finding: Finding;
}

export type Identity = { readonly kind: 'new' } | Resend | { readonly kind: 'conflict'; readonly finding: Finding };

/**
 * Compares with what is stored.
 *
 * @param forms the reading with its person and device named as they are known now and as they
 *   were sent: a Patient or Device that became known in between must not hide a resend
 */
export async function identify(reader: StoreReader, observation: ExactObservation, forms: readonly Reading[]): Promise<Identity> {
  const identifiers = sentIdentifiers(observation);
  for (const identifier of identifiers) {
    const id = await reader.idByFingerprint(identifier);
    if (id !== undefined) return (await wasReceived(reader, forms, id)) ? resendOf(reader, id) : conflictWith(id);
  }
  for (const fingerprint of fingerprintsOf(forms)) {
    const id = await reader.idByFingerprint(fingerprint);
    if (id === undefined) continue;
    const found = await resendOf(reader, id);
    const stored = String(treeOf(found.resource)['status']);
    // measured again under a new identifier after the first was withdrawn: a reading of its own
    if (stored === 'entered-in-error' && observation.status !== stored && identifiers.length > 0) continue;
    // a withdrawal, or the final one after a preliminary one, is not the same again: it must not go under
    const bothValid = isValid(stored) && isValid(observation.status);
    return bothValid || (await wasReceived(reader, forms, id)) ? found : conflictWith(id);
  }
  return { kind: 'new' };
}

async function wasReceived(reader: StoreReader, forms: readonly Reading[], id: string): Promise<boolean> {
  for (const form of forms) {
    if (await reader.isFingerprintOf(contentFingerprintOf(form), id)) return true;
  }
  return false;
}

function isValid(status: string): boolean {
  return status === 'final' || status === 'amended' || status === 'corrected';
}

function conflictWith(existing: string): Identity {
  return { kind: 'conflict', finding: finding(identifierConflict, { existing }) };
}

async function resendOf(reader: StoreReader, id: string): Promise<Resend> {
  const resource = await reader.current('Observation', id);
  if (resource === undefined) throw new Error(`Observation/${id} is known by its identity but not stored`);
  return { kind: 'resend', resource, finding: finding(resent, { existing: id }) };
}

/** Remembers a stored reading, so that its resend is known whatever becomes of it. */
export async function remember(writer: StoreWriter, id: string, observation: ExactObservation, forms: readonly Reading[]): Promise<void> {
  for (const fingerprint of [...sentIdentifiers(observation), ...fingerprintsOf(forms), ...new Set(forms.map(contentFingerprintOf))])
    await writer.addFingerprint(fingerprint, id);
}

function fingerprintsOf(forms: readonly Reading[]): string[] {
  return [...new Set(forms.map(fingerprintOf))].filter((fingerprint) => fingerprint !== undefined);
}

/** Keys of the identifiers that its sender gave it. */
function sentIdentifiers(observation: ExactObservation): string[] {
  return (observation.identifier ?? []).flatMap(({ system, value }) =>
    system === undefined || value === undefined || system === OURS.observationIdentifier ? [] : [identifierKeyOf(system, value)],
  );
}

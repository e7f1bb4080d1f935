/** Is this reading stored already? By the sender's identifier first, then by what was measured. */
import { contentFingerprintOf, fingerprintOf } from '../core/fingerprint.ts';
import { finding, type Finding } from '../core/finding.ts';
import type { ExactObservation } from '../core/observation.ts';
import type { Reading } from '../core/reading.ts';
import { identifierConflict, resent } from '../core/rules/identity.ts';
import { OURS } from '../core/terminology.ts';
import { treeOf } from './context.ts';
import type { StoredResource, StoreReader, StoreWriter, Token } from '../ports.ts';

export type Identity =
  | { readonly kind: 'new' }
  | { readonly kind: 'resend'; readonly resource: StoredResource; readonly finding: Finding }
  | { readonly kind: 'conflict'; readonly finding: Finding };

/** Compares with what is stored; `reading` is as it was sent, before anything was added. */
export async function identify(reader: StoreReader, observation: ExactObservation, reading: Reading): Promise<Identity> {
  for (const identifier of sentIdentifiers(observation)) {
    const [id] = await reader.idsByIdentifier('Observation', identifier, 1);
    if (id === undefined) continue;
    const isResend = await reader.isFingerprintOf(contentFingerprintOf(reading), id);
    return isResend ? resendOf(reader, id) : { kind: 'conflict', finding: finding(identifierConflict, { existing: id }) };
  }
  const fingerprint = fingerprintOf(reading);
  const id = fingerprint === undefined ? undefined : await reader.idByFingerprint(fingerprint);
  if (id === undefined) return { kind: 'new' };
  const found = await resendOf(reader, id);
  // measured again under a new identifier after the first was withdrawn: a reading of its own
  const withdrawn = found.kind === 'resend' && treeOf(found.resource)['status'] === 'entered-in-error';
  return withdrawn ? { kind: 'new' } : found;
}

async function resendOf(reader: StoreReader, id: string): Promise<Identity> {
  const resource = await reader.current('Observation', id);
  if (resource === undefined) throw new Error(`Observation/${id} is known by its identity but not stored`);
  return { kind: 'resend', resource, finding: finding(resent, { existing: id }) };
}

/** Remembers a stored reading, so that its resend is known whatever becomes of it. */
export async function remember(writer: StoreWriter, id: string, reading: Reading): Promise<void> {
  const fingerprint = fingerprintOf(reading);
  if (fingerprint !== undefined) await writer.addFingerprint(fingerprint, id);
  await writer.addFingerprint(contentFingerprintOf(reading), id);
}

function sentIdentifiers(observation: ExactObservation): Token[] {
  return (observation.identifier ?? []).flatMap(({ system, value }) =>
    system === undefined || value === undefined || system === OURS.observationIdentifier ? [] : [{ system, value }],
  );
}

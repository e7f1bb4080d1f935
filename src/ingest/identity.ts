/** Is this reading stored already? By the sender's identifier first, then by what was measured. */
import { contentFingerprintOf, fingerprintOf, identifierKeyOf } from '../core/fingerprint.ts';
import { finding, type Finding } from '../core/finding.ts';
import { isHeld, type ExactObservation } from '../core/observation.ts';
import type { Reading } from '../core/reading.ts';
import { identifierConflict, otherStatus, resent, resentHeld } from '../core/rules/identity.ts';
import { OURS } from '../core/terminology.ts';
import { treeOf } from './stored-tree.ts';
import type { StoredResource, StoreReader, StoreWriter } from '../ports.ts';

export interface Resend {
  readonly kind: 'resend';
  readonly resource: StoredResource;
  /** It is held: as far from the chart as it was. */
  readonly waits: boolean;
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
    const [id] = await reader.idsByFingerprint(identifier);
    if (id !== undefined) return (await wasReceived(reader, forms, id)) ? resendOf(reader, id) : conflictWith(id);
  }
  // two weighings of one day may well give the same number, and their identifiers then tell them apart
  if (identifiers.length > 0 && forms.some(({ effective }) => effective.precision === 'day')) return { kind: 'new' };
  for (const id of await idsOf(reader, fingerprintsOf(forms))) {
    const found = await resendOf(reader, id);
    const stored = String(treeOf(found.resource)['status']);
    // measured again under a new identifier after the first was withdrawn: a reading of its own
    const isNoResend = identifiers.length > 0 || (await wasTakenBack(reader, id));
    if (stored === 'entered-in-error' && observation.status !== stored && isNoResend) continue;
    // a withdrawal, or the final one after a preliminary one, is not the same again: it must not go under
    const bothValid = isValid(stored) && isValid(observation.status);
    return bothValid || (await wasReceived(reader, forms, id)) ? found : otherStatusThan(id);
  }
  return { kind: 'new' };
}

/** The conflict of a correction that takes over an identifier of another reading. */
export async function identifierTakenBy(reader: StoreReader, observation: ExactObservation, id: string): Promise<Finding | undefined> {
  const [taken] = (await idsOf(reader, sentIdentifiers(observation))).filter((other) => other !== id);
  return taken === undefined ? undefined : finding(identifierConflict, { existing: taken });
}

async function idsOf(reader: StoreReader, fingerprints: readonly string[]): Promise<string[]> {
  const ids: string[] = [];
  for (const fingerprint of fingerprints) ids.push(...(await reader.idsByFingerprint(fingerprint)));
  return [...new Set(ids)];
}

async function wasReceived(reader: StoreReader, forms: readonly Reading[], id: string): Promise<boolean> {
  for (const form of forms) {
    if (await reader.isFingerprintOf(contentFingerprintOf(form), id)) return true;
  }
  return false;
}

/** It was made of somebody else's reading by a decision that was taken back: no sender has ever sent it. */
async function wasTakenBack(reader: StoreReader, id: string): Promise<boolean> {
  return (await reader.readingOf(id))?.undone !== undefined;
}

function isValid(status: string): boolean {
  return status === 'final' || status === 'amended' || status === 'corrected';
}

function conflictWith(existing: string): Identity {
  return { kind: 'conflict', finding: finding(identifierConflict, { existing }) };
}

function otherStatusThan(existing: string): Identity {
  return { kind: 'conflict', finding: finding(otherStatus, { existing }) };
}

/** The stored reading that is meant again, as its sender is told of it. */
export async function resendOf(reader: StoreReader, id: string): Promise<Resend> {
  const resource = await reader.current('Observation', id);
  if (resource === undefined) throw new Error(`Observation/${id} is known by its identity but not stored`);
  const waits = isHeld(treeOf(resource) as unknown as ExactObservation);
  return { kind: 'resend', resource, waits, finding: finding(waits ? resentHeld : resent, { existing: id }) };
}

/** Remembers a stored reading, so that its resend is known whatever becomes of it. */
export async function remember(writer: StoreWriter, id: string, observation: ExactObservation, forms: readonly Reading[]): Promise<void> {
  await rememberIdentifiers(writer, id, observation);
  await rememberForms(writer, id, forms);
}

/** A resend may come under an identifier of its own, which then names the same reading. */
export async function rememberIdentifiers(writer: StoreWriter, id: string, observation: ExactObservation): Promise<void> {
  for (const key of sentIdentifiers(observation)) await writer.addFingerprint(key, id);
}

/** Remembers a reading under what was measured, of whom and with what. */
export async function rememberForms(writer: StoreWriter, id: string, forms: readonly Reading[]): Promise<void> {
  for (const fingerprint of [...fingerprintsOf(forms), ...new Set(forms.map(contentFingerprintOf))])
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

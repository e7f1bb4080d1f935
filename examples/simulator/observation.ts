/** A planned reading as the Observation that a gateway sends, digits as the display showed them. */
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { OURS, PARENT_CODE, QUALIFIER, SYSTEM, VITAL_SIGNS_CATEGORY } from '../../src/core/terminology.ts';
import { shown, type Amount } from './amount.ts';
import { WRISTBANDS, wristband } from './people.ts';
import type { Planned } from './round.ts';
import { deviceId } from './scales.ts';
import { tareId } from './tares.ts';

/** Each reading has an identifier of its gateway, by which a resend and the EHR's copy are known. */
export const READING_IDENTIFIERS = 'https://harbourlight.example/reading';

export interface Occasion {
  readonly personId: string;
  /** Value of the reading's identifier. */
  readonly identifier: string;
  /** Time of measuring, as the gateway's clock says it. */
  readonly measuredMs: number;
}

export function toObservation(planned: Planned, { personId, identifier, measuredMs }: Occasion): JsonObject {
  const { amount, scale, gross, tare, corrects, subtracted = [] } = planned;
  const weighed = [...(gross ? [component(QUALIFIER.gross, gross)] : []), ...(tare ? [component(QUALIFIER.tare, tare)] : [])];
  return {
    resourceType: 'Observation',
    ...(subtracted.length > 0 && {
      extension: subtracted.map((name) => ({ url: OURS.tareDeviceExtension, valueReference: { reference: `Device/${tareId(name)}` } })),
    }),
    identifier: [{ system: READING_IDENTIFIERS, value: identifier }],
    status: corrects === undefined ? 'final' : 'corrected',
    category: [{ coding: [{ ...VITAL_SIGNS_CATEGORY }] }],
    code: { coding: [coding(planned)] },
    subject: subject(planned, personId),
    effectiveDateTime: new Date(measuredMs).toISOString().replace(/\.\d+Z$/, 'Z'),
    valueQuantity: toQuantity(amount),
    ...(scale !== undefined && { device: { reference: `Device/${deviceId(scale)}` } }),
    ...(weighed.length > 0 && { component: weighed }),
  };
}

function coding({ of, asHealthDevice }: Planned): JsonObject {
  if (!asHealthDevice) return { system: SYSTEM.loinc, ...PARENT_CODE[of] };
  return { system: SYSTEM.mdc, code: of === 'weight' ? '188736' : '188740' };
}

function subject({ named }: Planned, personId: string): JsonObject {
  if (named === 'by-name-only') return { display: 'an invented person' };
  if (named === 'by-wristband') return { identifier: { system: WRISTBANDS, value: wristband(personId) } };
  return { reference: `Patient/${personId}` };
}

function component(code: { readonly system: string; readonly code: string; readonly display: string }, amount: Amount): JsonObject {
  return { code: { coding: [{ ...code }] }, valueQuantity: toQuantity(amount) };
}

function toQuantity(amount: Amount): JsonObject {
  return { value: exactNumber(amount.digits), unit: shown(amount).split(' ')[1] as string, system: SYSTEM.ucum, code: amount.unit };
}

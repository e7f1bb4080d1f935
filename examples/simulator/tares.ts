/** What is weighed together with people on Harbourlight Ward and subtracted, all invented: how each is registered. */
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { TARE_KINDS, type TareKind } from '../../src/core/tare-kinds.ts';
import { OURS, SYSTEM } from '../../src/core/terminology.ts';
import { tenths, type Amount } from './amount.ts';

interface Tare {
  readonly name: string;
  readonly kind: TareKind;
  /** Tenths of a kilogram. */
  readonly mass: number;
}

export const TARES = {
  'ward-chair': { name: 'Wheelchair of the ward', kind: 'wheelchair', mass: 176 },
  'seat-cushion': { name: 'Seat cushion', kind: 'cushion', mass: 13 },
  'lift-sling': { name: 'Sling of the lift', kind: 'sling', mass: 19 },
} as const satisfies Record<string, Tare>;

export type TareName = keyof typeof TARES;

export function tareId(tare: TareName): string {
  return `harbourlight-${tare}`;
}

/** What is named together weighs so much. */
export function massOf(...tares: readonly TareName[]): Amount {
  return tenths(
    tares.reduce((sum, tare) => sum + TARES[tare].mass, 0),
    'kg',
  );
}

const WEIGHED_DAYS_AGO = 10;
const DAY_MS = 86_400_000;

export function toTareDevice(tare: TareName, nowMs: number): JsonObject {
  const { name, kind } = TARES[tare];
  return {
    resourceType: 'Device',
    id: tareId(tare),
    extension: [
      {
        url: OURS.tareMassExtension,
        extension: [
          { url: 'mass', valueQuantity: { value: exactNumber(massOf(tare).digits), unit: 'kg', system: SYSTEM.ucum, code: 'kg' } },
          { url: 'establishedAt', valueDateTime: new Date(nowMs - WEIGHED_DAYS_AGO * DAY_MS).toISOString().replace(/\.\d+Z$/, 'Z') },
          { url: 'establishedBy', valueString: 'the night shift of Harbourlight Ward (invented)' },
        ],
      },
    ],
    status: 'active',
    deviceName: [{ name: `${name} of Harbourlight Ward (invented)`, type: 'user-friendly-name' }],
    type: { coding: [{ system: OURS.deviceKindSystem, code: kind, display: TARE_KINDS[kind] }] },
  };
}

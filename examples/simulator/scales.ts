/**
 * The measuring devices of Harbourlight Ward, all invented: how each is registered with the service.
 * Divisions and capacities are ordinary ones; no make or model is meant.
 */
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { METHODS, type Method } from '../../src/core/methods.ts';
import { OURS, SYSTEM } from '../../src/core/terminology.ts';
import type { Unit } from './amount.ts';

interface Scale {
  readonly name: string;
  readonly method: Method;
  readonly division: readonly [digits: string, unit: Unit];
  readonly outOfUse?: true;
}

export const SCALES = {
  standing: { name: 'Standing scale', method: 'standing-scale', division: ['0.1', 'kg'] },
  'standing-lb': { name: 'Standing scale in pounds', method: 'standing-scale', division: ['0.2', '[lb_av]'] },
  platform: { name: 'Wheelchair platform', method: 'wheelchair-platform', division: ['0.1', 'kg'] },
  sling: { name: 'Sling lift', method: 'sling-lift', division: ['0.1', 'kg'] },
  bed: { name: 'Bed scale', method: 'bed-scale', division: ['0.1', 'kg'] },
  'old-bed': { name: 'Old bed scale', method: 'bed-scale', division: ['0.5', 'kg'] },
  infant: { name: 'Infant scale', method: 'infant-scale', division: ['0.005', 'kg'] },
  'infant-g': { name: 'Infant scale in grams', method: 'infant-scale', division: ['1', 'g'] },
  'dropped-chair': { name: 'Chair scale (out of use)', method: 'chair-scale', division: ['0.1', 'kg'], outOfUse: true },
  stadiometer: { name: 'Stadiometer', method: 'standing-height', division: ['0.1', 'cm'] },
  'stadiometer-in': { name: 'Stadiometer in inches', method: 'standing-height', division: ['0.125', '[in_i]'] },
  'length-board': { name: 'Length board', method: 'recumbent-length', division: ['0.1', 'cm'] },
} as const satisfies Record<string, Scale>;

/** Where all of them stand. Nobody keeps a Location of it here, so it is named by an identifier. */
const WARD = {
  identifier: { system: 'https://harbourlight.example/ward', value: 'harbourlight' },
  display: 'Harbourlight Ward (invented)',
} as const satisfies JsonObject;

export type ScaleName = keyof typeof SCALES;

/** The id of a device that the service is told of. */
export function deviceId(scale: ScaleName): string {
  return `harbourlight-${scale}`;
}

export function toDevice(scale: ScaleName): JsonObject {
  const { name, method, division, ...rest } = SCALES[scale];
  const { deviceKind, deviceDisplay } = METHODS[method];
  return {
    resourceType: 'Device',
    id: deviceId(scale),
    extension: [
      {
        url: OURS.divisionExtension,
        valueQuantity: { value: exactNumber(division[0]), system: SYSTEM.ucum, code: division[1] },
      },
      { url: OURS.defaultMethodExtension, valueCode: method },
    ],
    status: 'outOfUse' in rest ? 'inactive' : 'active',
    deviceName: [{ name: `${name} of Harbourlight Ward (invented)`, type: 'user-friendly-name' }],
    type: { coding: [{ system: OURS.deviceKindSystem, code: deviceKind, display: deviceDisplay }] },
    location: WARD,
  };
}

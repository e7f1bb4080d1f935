/**
 * What is weighed together with a person and subtracted: chairs, cushions, slings, linen. Each is a
 * Device with our extension `tare-mass`: its mass, who established it and when.
 */
import type * as fhir4 from 'fhir/r4.js';
import { add, decimal, multiply, toShortestText, type Decimal } from './decimal.ts';
import { parseDateTime, type Effective } from './fhir-time.ts';
import type { Exact } from './json.ts';
import { exactQuantity, hasCoding } from './observation.ts';
import type { Policy } from './policy.ts';
import { inBaseUnit, UNITS, type Quantity, type UnitCode } from './quantity.ts';
import type { TareFacts } from './reading.ts';
import { TARE_KINDS, type TareKind } from './tare-kinds.ts';
import { OURS } from './terminology.ts';

interface TareMass {
  readonly mass: Quantity;
  readonly establishedAt: Effective;
}

/** The tare of a Device: absent when it has none, `unusable` when a part of it is missing or no mass. */
export function tareMassOf(device: Exact<fhir4.Device>): TareMass | 'unusable' | undefined {
  const extension = device.extension?.find(({ url }) => url === OURS.tareMassExtension);
  if (extension === undefined) return undefined;
  const part = (name: string): Exact<fhir4.Extension> | undefined => extension.extension?.find(({ url }) => url === name);
  const mass = exactQuantity(part('mass')?.valueQuantity, 'weight');
  const time = part('establishedAt')?.valueDateTime;
  const establishedAt = time === undefined ? undefined : parseDateTime(time);
  const { valueReference, valueString } = part('establishedBy') ?? {};
  const isSigned = valueReference !== undefined || (valueString?.trim() ?? '') !== '';
  if (mass === undefined || mass.value.coefficient <= 0n || establishedAt === undefined || !isSigned) return 'unusable';
  return { mass, establishedAt };
}

export function tareKindOf({ type }: Exact<fhir4.Device>): TareKind | undefined {
  return (Object.keys(TARE_KINDS) as TareKind[]).find((code) => hasCoding(type, { system: OURS.deviceKindSystem, code }));
}

/** @param person key of the person whose it is, where the Device names one */
export function toTareFacts(key: string, device: Exact<fhir4.Device>, person: string | undefined): TareFacts {
  const tare = tareMassOf(device);
  const kind = tareKindOf(device);
  return {
    key,
    known: true,
    ...(kind && { kind }),
    ...(typeof tare === 'object' && tare),
    ...(person !== undefined && { person }),
  };
}

/** `Device/chair-7 (wheelchair)`: no name of a person, no number but its own. */
export function describeTareDevice({ key, kind }: Pick<TareFacts, 'key' | 'kind'>): string {
  return kind === undefined ? key : `${key} (${kind})`;
}

/** The sum of what is named, exact: in its own unit where all have one, else in kg. Undefined unless every mass is known. */
export function sumOfTares(devices: readonly TareFacts[]): Quantity | undefined {
  const masses = devices.flatMap(({ mass }) => mass ?? []);
  const [first] = masses;
  if (first === undefined || masses.length < devices.length) return undefined;
  const unit = masses.every((mass) => mass.unit === first.unit) ? first.unit : 'kg';
  const value = masses.map((mass) => (unit === mass.unit ? mass.value : inBaseUnit(mass))).reduce(add);
  return { value, text: toShortestText(value), unit };
}

/**
 * How far figures that belong together may lie apart, in kg. Metric figures agree to the digit, as
 * do those of one unit; figures of two systems were each rounded to a step: one step of each.
 */
export function roundingOf(units: readonly UnitCode[], { values }: Pick<Policy, 'values'>): Decimal {
  const isPound = units.map((unit) => UNITS[unit].imperial);
  if (isPound.every((is) => is === isPound[0])) return decimal('0');
  return add(decimal(values['precision.kg']), multiply(decimal(values['precision.lb']), UNITS['[lb_av]'].factor));
}

/** What the small registries say: a Patient's birth date, a Device's division and usual method. */
import type * as fhir4 from 'fhir/r4.js';
import { parseDecimal } from './decimal.ts';
import type { Exact } from './json.ts';
import { hasCoding } from './observation.ts';
import { isUnitCode } from './quantity.ts';
import type { DeviceFacts, PersonFacts } from './reading.ts';
import { CLOTHING_ANSWERS, METHODS, OURS, SYSTEM, type ClothingClass, type Method } from './terminology.ts';

export function toPersonFacts(key: string, patient: Exact<fhir4.Patient>): PersonFacts {
  return {
    key,
    known: true,
    ...(patient.birthDate !== undefined && { birthDate: patient.birthDate }),
    ...(patient.gender !== undefined && { sex: patient.gender }),
  };
}

/**
 * A scale: division and capacity from our extensions, the method from an extension or from a
 * `type` coding of our kinds of device. What a Device does not say stays unknown.
 */
export function toDeviceFacts(key: string, device: Exact<fhir4.Device>): DeviceFacts {
  const division = extensionQuantity(device, OURS.divisionExtension);
  const capacity = extensionQuantity(device, OURS.capacityExtension);
  const method = extensionCode<Method>(device, OURS.defaultMethodExtension, METHODS) ?? methodOfKind(device);
  const clothing = extensionCode<ClothingClass>(device, OURS.defaultClothingExtension, CLOTHING_ANSWERS);
  return {
    key,
    known: true,
    ...(device.status !== undefined && { status: device.status }),
    ...(division && { division }),
    ...(capacity && { capacity }),
    ...(method && { defaultMethod: method }),
    ...(clothing && { defaultClothing: clothing }),
  };
}

function extension(device: Exact<fhir4.Device>, url: string): Exact<fhir4.Extension> | undefined {
  return device.extension?.find((item) => item.url === url);
}

function extensionQuantity(device: Exact<fhir4.Device>, url: string): DeviceFacts['division'] | undefined {
  const { value, system, code } = extension(device, url)?.valueQuantity ?? {};
  const exact = value === undefined ? undefined : parseDecimal(value.value);
  if (exact === undefined || exact.coefficient <= 0n || system !== SYSTEM.ucum || code === undefined || !isUnitCode(code)) return undefined;
  return { value: exact, unit: code };
}

function extensionCode<Code extends string>(
  device: Exact<fhir4.Device>,
  url: string,
  known: Readonly<Record<Code, unknown>>,
): Code | undefined {
  const code = extension(device, url)?.valueCode;
  return code !== undefined && Object.hasOwn(known, code) ? (code as Code) : undefined;
}

function methodOfKind({ type }: Exact<fhir4.Device>): Method | undefined {
  return (Object.keys(METHODS) as Method[]).find((method) =>
    hasCoding(type, { system: OURS.deviceKindSystem, code: METHODS[method].deviceKind }),
  );
}

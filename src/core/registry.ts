/** What the small registries say: a Patient's birth date, a Device's division and usual method. */
import type * as fhir4 from 'fhir/r4.js';
import { parseDecimal } from './decimal.ts';
import { ageAt, DAY_MS } from './fhir-time.ts';
import { finding, type Finding } from './finding.ts';
import { registryFactUnusable } from './rules/device.ts';
import type { Exact } from './json.ts';
import { hasCoding } from './observation.ts';
import { keyOf, pointerOf } from './pointers.ts';
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
  const location = keyOf(pointerOf(device.location, []));
  const clothing = extensionCode<ClothingClass>(device, OURS.defaultClothingExtension, CLOTHING_ANSWERS);
  return {
    key,
    known: true,
    ...(device.status !== undefined && { status: device.status }),
    ...(division && { division }),
    ...(capacity && { capacity }),
    ...(location !== undefined && { location }),
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

interface FactForm {
  readonly url: string;
  readonly fact: keyof DeviceFacts;
  readonly what: string;
  readonly form: string;
}

const FACT_FORMS: readonly FactForm[] = [
  {
    url: OURS.divisionExtension,
    fact: 'division',
    what: 'The division of the scale',
    form: 'a Quantity above zero in kg, g, [lb_av], cm or [in_i]',
  },
  {
    url: OURS.capacityExtension,
    fact: 'capacity',
    what: 'The capacity of the scale',
    form: 'a Quantity above zero in kg, g, [lb_av], cm or [in_i]',
  },
  {
    url: OURS.defaultMethodExtension,
    fact: 'defaultMethod',
    what: 'The usual method',
    form: 'a code of the measurement-method CodeSystem',
  },
  {
    url: OURS.defaultClothingExtension,
    fact: 'defaultClothing',
    what: 'The usual clothing',
    form: 'underwear, street-no-shoes or street-shoes',
  },
];

/** Findings about facts of a Device that are there and say nothing that a rule could use. */
export function unusableDeviceFacts(device: Exact<fhir4.Device>): Finding[] {
  const facts = toDeviceFacts('', device);
  return FACT_FORMS.flatMap(({ url, fact, what, form }) => {
    const index = device.extension?.findIndex((item) => item.url === url) ?? -1;
    return index >= 0 && facts[fact] === undefined
      ? [finding(registryFactUnusable, { what, form }, { expression: `Device.extension[${index}]` })]
      : [];
  });
}

/**
 * The facts of a Patient that cannot be used: a birth date that lies ahead would make every reading
 * one from before birth, and a replacement that nobody can follow would leave readings behind.
 */
export function unusablePersonFacts(patient: Exact<fhir4.Patient>, nowMs: number, knownBases: readonly string[]): Finding[] {
  const { birthDate, link = [] } = patient;
  const age = birthDate === undefined ? undefined : ageAt(birthDate, nowMs + DAY_MS);
  const isUnborn = age !== undefined && age.oldestDays < 0;
  const replacement = replacedBy(patient, knownBases);
  const stray = link.findIndex(({ type, other }) => {
    const pointer = pointerOf(other, knownBases);
    const isFollowed = pointer.kind === 'literal' && pointer.type === 'Patient' && pointer.id === replacement && pointer.id !== patient.id;
    return type === 'replaced-by' && !isFollowed;
  });
  return [
    ...(isUnborn
      ? [finding(registryFactUnusable, { what: 'The birth date', form: 'today or earlier' }, { expression: 'Patient.birthDate' })]
      : []),
    ...(stray < 0 ? [] : [replacementUnusable(stray)]),
  ];
}

/**
 * Id of the Patient who replaces this one; undefined when nobody does. The other types of link
 * (refer, seealso, and replaces, which the survivor's record says) move nothing.
 */
export function replacedBy({ link = [] }: Exact<fhir4.Patient>, knownBases: readonly string[]): string | undefined {
  const pointers = link.flatMap(({ type, other }) => (type === 'replaced-by' ? [pointerOf(other, knownBases)] : []));
  return pointers.flatMap((pointer) => (pointer.kind === 'literal' && pointer.type === 'Patient' ? [pointer.id] : []))[0];
}

/** @param index of the link that says replaced-by */
export function replacementUnusable(index: number): Finding {
  const form = 'one reference Patient/ID to another Patient, whose own replaced-by links do not lead back';
  return finding(registryFactUnusable, { what: 'The Patient who replaces this one', form }, { expression: `Patient.link[${index}].other` });
}

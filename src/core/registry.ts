/** What the small registries say: a Patient's birth date, a Device's division and usual method. */
import type * as fhir4 from 'fhir/r4.js';
import type { ScaleCheck } from './calibration.ts';
import { parseDecimal } from './decimal.ts';
import { ageAt, DAY_MS } from './fhir-time.ts';
import { finding, type Finding } from './finding.ts';
import { registryFactUnusable } from './rules/device.ts';
import type { Exact } from './json.ts';
import { hasCoding } from './observation.ts';
import { keyOf, pointerOf } from './pointers.ts';
import { isUnitCode, type Quantity } from './quantity.ts';
import type { DeviceFacts, PersonFacts } from './reading.ts';
import { tareMassOf } from './tare.ts';
import { METHODS, type Method } from './methods.ts';
import { CLOTHING_ANSWERS, OURS, SYSTEM, type ClothingClass } from './terminology.ts';

/** What the service was told apart from the resource itself. */
interface Told {
  /** FHIR bases whose absolute references count as relative ones. */
  readonly knownBases?: readonly string[];
}

/** @param chairs masses of the chairs, cushions and slings that are registered as this person's */
export function toPersonFacts(
  key: string,
  patient: Exact<fhir4.Patient>,
  { knownBases = [], chairs = [] }: Told & { readonly chairs?: readonly Quantity[] } = {},
): PersonFacts {
  const ward = wardOf(patient, knownBases);
  return {
    key,
    known: true,
    ...(patient.birthDate !== undefined && { birthDate: patient.birthDate }),
    ...(patient.gender !== undefined && { sex: patient.gender }),
    ...(chairs.length > 0 && { chairs }),
    ...(ward !== undefined && { ward }),
  };
}

function wardOf({ extension }: Exact<fhir4.Patient>, knownBases: readonly string[]): string | undefined {
  const current = extension?.find(({ url }) => url === OURS.currentLocationExtension);
  return keyOf(pointerOf(current?.valueReference, knownBases));
}

/**
 * A scale: division and capacity from our extensions, the method from an extension or from a
 * `type` coding of our kinds of device. What a Device does not say stays unknown.
 *
 * @param checks zero checks and calibrations of its meters
 */
export function toDeviceFacts(
  key: string,
  device: Exact<fhir4.Device>,
  { knownBases = [], checks = [] }: Told & { readonly checks?: readonly ScaleCheck[] } = {},
): DeviceFacts {
  const ward = keyOf(pointerOf(device.location, knownBases));
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
    ...(ward !== undefined && { ward }),
    ...(checks.length > 0 && { checks }),
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
  const unusable = FACT_FORMS.flatMap(({ url, fact, what, form }) => {
    const index = device.extension?.findIndex((item) => item.url === url) ?? -1;
    return index >= 0 && facts[fact] === undefined
      ? [finding(registryFactUnusable, { what, form }, { expression: `Device.extension[${index}]` })]
      : [];
  });
  return [...unusable, ...(tareMassOf(device) === 'unusable' ? [unusableTare(device)] : [])];
}

function unusableTare(device: Exact<fhir4.Device>): Finding {
  const form = 'a mass above zero in kg, g or [lb_av], with establishedAt (a day or finer) and establishedBy';
  const index = device.extension?.findIndex(({ url }) => url === OURS.tareMassExtension) ?? -1;
  return finding(registryFactUnusable, { what: 'The tare', form }, { expression: `Device.extension[${index}]` });
}

function unusableWard(patient: Exact<fhir4.Patient>): Finding[] {
  const index = patient.extension?.findIndex(({ url }) => url === OURS.currentLocationExtension) ?? -1;
  const { valueReference } = patient.extension?.[index] ?? {};
  if (index < 0 || valueReference?.reference !== undefined || valueReference?.identifier !== undefined) return [];
  const form = 'a Reference to a Location, or one by identifier';
  return [finding(registryFactUnusable, { what: 'The ward of the person', form }, { expression: `Patient.extension[${index}]` })];
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
    ...unusableWard(patient),
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

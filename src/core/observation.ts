/**
 * Wire shapes to decoded readings: the only place that reads an Observation's elements.
 *
 * Every function here takes an Observation that has passed the structure check and gives back
 * what it says, or undefined where it does not say it. Whether that is good enough is for the
 * rules; nothing is judged or guessed here.
 */
import type * as fhir4 from 'fhir/r4.js';
import { sentConditions } from './conditions.ts';
import { HEIGHT_ESTIMATES, type HeightEstimate } from './derive/estimated-height.ts';
import { parseDateTime, type Effective } from './fhir-time.ts';
import type { Exact } from './json.ts';
import { isUnitCode, quantity, UNITS, type Quantity } from './quantity.ts';
import type { OtherPerson, Reading } from './reading.ts';
import { METHODS, type Method } from './methods.ts';
import {
  CLOTHING_ANSWERS,
  HELD_TAG,
  LOINC_CODES,
  MDC_CODES,
  METHOD_BASES,
  OURS,
  PARENT_CODE,
  POSITION_ANSWERS,
  QUALIFIER,
  REPEAT_TAG,
  SYSTEM,
  type Basis,
  type ClothingClass,
  type Measured,
  type MeasurementCode,
  type Position,
  type Quantified,
} from './terminology.ts';

export type ExactObservation = Exact<fhir4.Observation>;
type ExactCoding = Exact<fhir4.Coding>;
type ExactConcept = Exact<fhir4.CodeableConcept>;
type ExactComponent = Exact<fhir4.ObservationComponent>;
type ExactExtension = Exact<fhir4.Extension>;

/** What the code says: which measure, how it came about, and whether the codings agree. */
export interface CodedMeasure {
  readonly of: Quantified;
  readonly basis: Basis;
  readonly position?: Position;
  readonly clothing?: 'with' | 'without';
  /** The vital-signs profile's own code is among the codings. */
  readonly hasParent: boolean;
  /** Only MDC codes say it; no LOINC code was sent. */
  readonly fromMdc: boolean;
  /** Codings of more than one measure, or that contradict each other. */
  readonly conflicting: boolean;
}

/** Reads `Observation.code`; undefined when no coding is a weight, height or BMI code. */
export function codedMeasure(observation: ExactObservation): CodedMeasure | undefined {
  const codings = observation.code.coding ?? [];
  const loinc = codings.flatMap((coding) => loincRow(coding) ?? []);
  const mdc = codings.flatMap((coding) => mdcRow(coding) ?? []);
  const of = loinc[0]?.of ?? mdc[0]?.of;
  if (of === undefined) return undefined;
  const specific = loinc.filter(({ code }) => code !== PARENT_CODE[of].code);
  const position = specific.find((row) => row.position)?.position;
  const clothing = specific.find((row) => row.clothing)?.clothing;
  return {
    of,
    basis: specific.find(({ basis }) => basis !== 'measured')?.basis ?? methodBasis(observation) ?? 'measured',
    ...(position && { position }),
    ...(clothing && { clothing }),
    hasParent: loinc.some(({ code }) => code === PARENT_CODE[of].code),
    fromMdc: loinc.length === 0,
    conflicting: [...loinc, ...mdc].some((row) => row.of !== of) || contradict(specific),
  };
}

/** Measured and stated, lying and standing, with and without clothes. */
function contradict(rows: readonly MeasurementCode[]): boolean {
  return (['basis', 'position', 'clothing'] as const).some((aspect) => {
    const said = rows.flatMap((row) => row[aspect] ?? []);
    return new Set(said).size > 1;
  });
}

/** How the number came about by `Observation.method`; undefined when it does not say so in a known code. */
export function methodBasis({ method }: ExactObservation): Basis | undefined {
  return METHOD_BASES.find((row) => hasCoding(method, row))?.basis;
}

function loincRow({ system, code }: ExactCoding): MeasurementCode | undefined {
  return system === SYSTEM.loinc ? LOINC_CODES.find((row) => row.code === code) : undefined;
}

function mdcRow({ system, code }: ExactCoding): (typeof MDC_CODES)[number] | undefined {
  return system === SYSTEM.mdc ? MDC_CODES.find((row) => row.code === code) : undefined;
}

/** `effectiveDateTime`, or the start and end of `effectivePeriod`; undefined when unusable. */
export function effectiveOf(observation: ExactObservation): Effective | undefined {
  if (observation.effectiveDateTime !== undefined) return parseDateTime(observation.effectiveDateTime);
  const { start, end } = observation.effectivePeriod ?? {};
  const from = start === undefined ? undefined : parseDateTime(start);
  const to = end === undefined ? from : parseDateTime(end);
  return from && to && { ...from, endMs: to.endMs };
}

/** A Quantity in an accepted unit of the measure, with its digits; undefined otherwise. */
export function exactQuantity(wire: Exact<fhir4.Quantity> | undefined, of: Measured): Quantity | undefined {
  const { value, system, code } = wire ?? {};
  if (value === undefined || system !== SYSTEM.ucum || code === undefined) return undefined;
  if (!isUnitCode(code) || UNITS[code].of !== of) return undefined;
  return quantity(value.value, code);
}

export function hasCoding(concept: ExactConcept | undefined, wanted: { readonly system: string; readonly code: string }): boolean {
  return (concept?.coding ?? []).some(({ system, code }) => system === wanted.system && code === wanted.code);
}

export function componentOf(
  observation: ExactObservation,
  wanted: { readonly system: string; readonly code: string },
): ExactComponent | undefined {
  return observation.component?.find(({ code }) => hasCoding(code, wanted));
}

/** Our extension that stands in the place of a qualifier's component. */
export function qualifierExtensionOf(
  observation: ExactObservation,
  wanted: { readonly system: string; readonly code: string },
): ExactExtension | undefined {
  return observation.extension?.find(({ url, extension: parts }) => {
    const coding = parts?.find((part) => part.url === 'qualifier')?.valueCoding;
    return url === OURS.qualifierExtension && coding?.system === wanted.system && coding.code === wanted.code;
  });
}

/** What a component, or our extension in its place, says of a qualifier; undefined when neither is there. */
export function qualifierConcept(
  observation: ExactObservation,
  wanted: { readonly system: string; readonly code: string },
): { readonly concept?: ExactConcept } | undefined {
  const component = componentOf(observation, wanted);
  if (component) return component.valueCodeableConcept ? { concept: component.valueCodeableConcept } : {};
  const extension = qualifierExtensionOf(observation, wanted);
  if (extension === undefined) return undefined;
  const concept = extension.extension?.find(({ url }) => url === 'answer')?.valueCodeableConcept;
  return concept ? { concept } : {};
}

function answerKey<Key extends string>(
  concept: ExactConcept | undefined,
  system: string,
  answers: Readonly<Record<Key, { readonly code: string }>>,
): Key | undefined {
  return (Object.keys(answers) as Key[]).find((key) => hasCoding(concept, { system, code: answers[key].code }));
}

const METHOD_CODES = Object.fromEntries(Object.keys(METHODS).map((method) => [method, { code: method }])) as Record<
  Method,
  { code: string }
>;
const KIND_CODES = Object.fromEntries(Object.entries(METHODS).map(([method, { deviceKind }]) => [method, { code: deviceKind }])) as Record<
  Method,
  { code: string }
>;

/** The method that the Observation itself tells, in `method`, a method component or the kind of device. */
export function sentMethod(observation: ExactObservation): Method | undefined {
  const component = qualifierConcept(observation, QUALIFIER.method)?.concept;
  const kinds = [QUALIFIER.weighingDevice, QUALIFIER.heightDevice].map((code) => qualifierConcept(observation, code)?.concept);
  return (
    answerKey(observation.method, OURS.methodSystem, METHOD_CODES) ??
    answerKey(component, OURS.methodSystem, METHOD_CODES) ??
    kinds.map((kind) => answerKey(kind, OURS.deviceKindSystem, KIND_CODES)).find((method) => method !== undefined)
  );
}

export function sentClothing(observation: ExactObservation): ClothingClass | undefined {
  return answerKey(qualifierConcept(observation, QUALIFIER.clothing)?.concept, SYSTEM.loinc, CLOTHING_ANSWERS);
}

export function sentPosition(observation: ExactObservation): Position | undefined {
  return answerKey(qualifierConcept(observation, QUALIFIER.position)?.concept, SYSTEM.loinc, POSITION_ANSWERS);
}

export function isHeld(observation: ExactObservation): boolean {
  return (observation.meta?.tag ?? []).some(({ system, code }) => system === HELD_TAG.system && code === HELD_TAG.code);
}

export function isRepeat(observation: ExactObservation): boolean {
  return (observation.meta?.tag ?? []).some(({ system, code }) => system === REPEAT_TAG.system && code === REPEAT_TAG.code);
}

/** The component that gives a length to estimate the height from, if there is one. */
export function limbComponentOf(
  observation: ExactObservation,
): { readonly estimate: HeightEstimate; readonly component: ExactComponent } | undefined {
  for (const estimate of Object.keys(HEIGHT_ESTIMATES) as HeightEstimate[]) {
    const component = componentOf(observation, HEIGHT_ESTIMATES[estimate].input);
    if (component) return { estimate, component };
  }
  return undefined;
}

/** A length in the place of a height: what was measured on somebody who cannot stand. */
function sentLimb(observation: ExactObservation): Reading['limb'] {
  const found = observation.valueQuantity === undefined ? limbComponentOf(observation) : undefined;
  const length = exactQuantity(found?.component.valueQuantity, 'height');
  return found && length && { estimate: found.estimate, length };
}

/** Who and which device the reading belongs to, after the edge has looked them up. */
export interface Attribution {
  readonly id: string;
  readonly version: number;
  readonly person: string;
  readonly moves?: number;
  readonly device?: string;
  readonly tareDevices?: readonly string[];
  readonly flagged?: true;
  readonly mistakenFor?: readonly OtherPerson[];
}

/**
 * Decodes a weight or height. Undefined when the code, the effective time or a present value is
 * not usable: the rules that refuse these say so in their own words.
 */
export function toReading(
  observation: ExactObservation,
  { id, version, person, moves, device, tareDevices, flagged, mistakenFor }: Attribution,
): Reading | undefined {
  const measure = codedMeasure(observation);
  const effective = effectiveOf(observation);
  if (measure === undefined || measure.of === 'bmi' || measure.conflicting || effective === undefined) return undefined;
  const { of } = measure;
  const value = exactQuantity(observation.valueQuantity, of);
  if (value === undefined && observation.valueQuantity !== undefined) return undefined;
  const method = sentMethod(observation);
  const clothing = sentClothing(observation) ?? (measure.clothing === 'without' ? 'underwear' : undefined);
  const position = sentPosition(observation) ?? measure.position ?? (method && METHODS[method].position);
  const conditions = sentConditions(observation);
  const limb = of === 'height' ? sentLimb(observation) : undefined;
  const gross = exactQuantity(loadComponent(observation, 'gross')?.valueQuantity, 'weight');
  const tare = exactQuantity(loadComponent(observation, 'tare')?.valueQuantity, 'weight');
  return {
    id,
    version,
    of,
    basis: measure.basis,
    status: observation.status,
    held: isHeld(observation),
    ...(value && { quantity: value }),
    effective,
    person,
    ...(moves !== undefined && { moves }),
    ...(device !== undefined && { device }),
    ...(flagged && { flagged }),
    ...(mistakenFor && { mistakenFor }),
    ...(method && { method }),
    ...(clothing && { clothing }),
    ...(position && { position }),
    ...(conditions.length > 0 && { conditions }),
    ...(limb && { limb }),
    ...(gross && { gross }),
    ...(tare && { tare }),
    ...(tareDevices && { tareDevices }),
    tieKey: tieKeyOf(observation),
  };
}

/** LOINC has no code for gross and tare, so gateways without ours can name them by text alone. */
const LOAD_TEXTS = { gross: /^gross( weight| mass)?$/i, tare: /^tare( weight| mass)?$/i } as const;

function loadComponent(observation: ExactObservation, part: keyof typeof LOAD_TEXTS): ExactComponent | undefined {
  const isNamed = ({ code }: ExactComponent): boolean => code.coding === undefined && LOAD_TEXTS[part].test(code.text?.trim() ?? '');
  return componentOf(observation, QUALIFIER[part]) ?? observation.component?.find(isNamed);
}

function tieKeyOf(observation: ExactObservation): string {
  const sent = observation.identifier?.find(({ system, value }) => value !== undefined && system !== OURS.observationIdentifier);
  const { value, code } = observation.valueQuantity ?? {};
  return sent ? `${sent.system ?? ''}|${sent.value}` : `${value?.value ?? ''} ${code ?? ''}`;
}

/**
 * Everything that the service adds to a reading: required code, own identifier and profile,
 * method, device and clothing. It adds and never changes or drops what the sender wrote; each
 * addition says where it came from.
 */
import type { Context, DeviceFacts, Reading, TareFacts } from '../reading.ts';
import { codedMeasure, type ExactObservation } from '../observation.ts';
import { OURS, PARENT_CODE, R4_PROFILE, SYSTEM } from '../terminology.ts';
import { toShortestText } from '../decimal.ts';
import { inBaseUnit, UNITS } from '../quantity.ts';
import { sumOfTares } from '../tare.ts';
import { isUnassigned } from '../unassigned.ts';
import { CODE_ELEMENT, METHOD_ELEMENT } from './additions.ts';
import { clothingQualifier, knownClothing } from './clothing.ts';
import { deviceQualifier } from './device.ts';
import { knownMethod, knownPosition, methodCoding, methodQualifier, positionQualifier } from './method.ts';
import { withQualifiers, type Origin, type Qualifier } from './qualifier.ts';

export interface Addition {
  /** FHIRPath of the element, or the qualifier's display. */
  readonly what: string;
  readonly origin: Origin;
}

export interface Enriched {
  readonly observation: ExactObservation;
  readonly reading: Reading;
  readonly additions: readonly Addition[];
}

/** Adds what is known of how the reading was taken. Readings without a value get no qualifiers. */
export function enrich(observation: ExactObservation, reading: Reading, { device, tareDevices, policy, id }: Context): Enriched {
  const method = knownMethod(reading, device);
  const clothing = knownClothing(observation, reading, device);
  const position = knownPosition(observation, reading, method);
  const measured = reading.quantity !== undefined;
  const qualifiers: Qualifier[] = measured
    ? [
        methodQualifier(observation, method),
        deviceQualifier(observation, reading.of, method),
        reading.of === 'weight' ? clothingQualifier(observation, clothing) : undefined,
        positionQualifier(observation, position),
      ].filter((qualifier) => qualifier !== undefined)
    : [];
  const shape = policy.values['qualifiers.shape'];
  let result = withQualifiers(withParentCode(observation, reading), qualifiers, shape);
  const setsMethod = measured && method !== undefined && observation.method === undefined;
  if (setsMethod) result = { ...result, method: { coding: [methodCoding(method.answer)] } };
  result = withIdentity(result, reading, id, shape);
  return {
    observation: result,
    reading: {
      ...reading,
      ...divisionOf(reading, device),
      ...tareOf(reading, tareDevices),
      ...(method && { method: method.answer }),
      ...(clothing && { clothing: clothing.answer }),
      ...(position && { position: position.answer }),
    },
    additions: [
      ...(result.code === observation.code ? [] : [{ what: CODE_ELEMENT, origin: 'service' as const }]),
      ...(setsMethod ? [{ what: METHOD_ELEMENT, origin: method.origin }] : []),
      ...qualifiers.map(({ code, origin }) => ({ what: code.display, origin })),
    ],
  };
}

function divisionOf({ of }: Reading, device: DeviceFacts | undefined): Pick<Reading, 'division'> {
  const { division } = device ?? {};
  return division === undefined || UNITS[division.unit].of !== of ? {} : { division: toShortestText(inBaseUnit(division)) };
}

/** What was subtracted by its sender's word, else what the named chairs and slings are known to weigh. */
function tareOf({ of, tare }: Reading, tareDevices: readonly TareFacts[] | undefined): Pick<Reading, 'tare'> {
  const known = tare ?? (of === 'weight' && tareDevices ? sumOfTares(tareDevices) : undefined);
  return known ? { tare: known } : {};
}

function withParentCode(observation: ExactObservation, { of }: Reading): ExactObservation {
  if (codedMeasure(observation)?.hasParent) return observation;
  const coding = { system: SYSTEM.loinc, ...PARENT_CODE[of] };
  return { ...observation, code: { ...observation.code, coding: [...(observation.code.coding ?? []), coding] } };
}

function withIdentity(observation: ExactObservation, { of, person }: Reading, id: string, shape: string): ExactObservation {
  const claimed = observation.meta?.profile ?? [];
  const ours = of === 'weight' ? OURS.bodyWeightProfile : OURS.bodyHeightProfile;
  // coded components are outside R4's own profile, so it is claimed in the extension shape only
  const fitting = [...(shape === 'extension' ? [R4_PROFILE[of]] : []), ours].filter((profile) => !claimed.includes(profile));
  // every one of them wants a subject
  const profiles = [...claimed, ...(isUnassigned(person) ? [] : fitting)];
  return {
    ...observation,
    ...(profiles.length > 0 && { meta: { ...observation.meta, profile: profiles } }),
    identifier: [...(observation.identifier ?? []), { system: OURS.observationIdentifier, value: id }],
  };
}

/**
 * ORU^R01 to readings: every OBX that measures becomes an Observation as its sender could have
 * posted it, after the HL7 v2-to-FHIR guide's maps of PID, OBR and OBX. Nothing is judged here:
 * what FHIR can say goes to the rules as it stands, and only what it cannot is a fault.
 *
 * Names, addresses, locations and persons of staff are not read.
 */
import type { Message, Segment } from './v2-message.ts';
import { isMeasurement, isOfTheDevice, PCD_PROFILES, CODING_SYSTEMS, CONDITION } from './v2-codes.ts';
import { fault, type Place, type V2Fault } from './v2-fault.ts';
import { assignerOfCx, assignerOfHd, localSystem, systemOf, tokenOfDevice, type Systems, type Token } from './v2-identifiers.ts';
import { toObservation, type Group, type ObxReading } from './obx-observation.ts';
import { offsetOf } from './v2-time.ts';
import { SYSTEM } from '../core/terminology.ts';

export interface Surroundings {
  readonly systems: Systems;
  /** IANA time zone of the gateway. */
  readonly zone?: string;
}

export type OruRow =
  ({ readonly kind: 'reading' } & ObxReading) | { readonly kind: 'fault'; readonly fault: V2Fault; readonly place: Place };

/** What each measuring OBX says, in their order. */
export function readingsIn(message: Message, surroundings: Surroundings): OruRow[] {
  const { header, segments } = message;
  const offset = offsetOf(header.text(7));
  const base = {
    systems: surroundings.systems,
    offsets: { ...(offset !== undefined && { ofMessage: offset }), ...(surroundings.zone !== undefined && { zone: surroundings.zone }) },
    claimsPcd: claimsPcd(header),
    ...senderSystem(header, surroundings.systems),
  };
  const above = aboveRows(segments);
  const devices = devicesIn(above, base);
  let person: Pick<Group, 'pid' | 'subject'> = {};
  let order: Segment | undefined;
  const rows: OruRow[] = [];
  for (const segment of segments) {
    if (segment.name === 'PID') {
      person = personOf(segment, surroundings.systems);
      order = undefined;
    } else if (segment.name === 'OBR') order = segment;
    else if (segment.name === 'OBX' && isReading(segment)) {
      const inherited = devices.above(above.get(segment) as Above, deviceLevel(segment));
      const group: Group = { ...base, ...person, ...(order && { obr: order }), ...(inherited && { inherited }) };
      rows.push(rowOf(segment, group));
    }
  }
  return rows;
}

function rowOf(obx: Segment, group: Group): OruRow {
  const made = toObservation(obx, group);
  if ('code' in made) return { kind: 'fault', fault: made, place: made.place ?? { segment: 'OBX', sequence: obx.sequence } };
  return { kind: 'reading', ...made };
}

/** MSH-21 names a message profile of IHE PCD, by name or OID. */
function claimsPcd(header: Segment): boolean {
  for (let repetition = 1; repetition <= header.repetitions(21); repetition += 1) {
    const [id, , universal] = [1, 2, 3].map((component) => header.text(21, component, 1, repetition)) as [string, string, string];
    if (universal.startsWith(PCD_PROFILES) || id.startsWith(PCD_PROFILES)) return true;
  }
  return false;
}

/** For identifiers that are unique with their sender only: MSH-3 at MSH-4. */
function senderSystem(header: Segment, systems: Systems): { readonly sender?: string } {
  const [application, facility] = [assignerOfHd(header, 3), assignerOfHd(header, 4)];
  const names = [facility, application].map(({ namespace, universalId }) => (namespace === '' ? universalId : namespace));
  if (names.every((name) => name === '')) return {};
  const own = systemOf(application, systems);
  // an application that has a URI of its own needs no facility to be told apart
  return { sender: own !== undefined && own !== localSystem(names[1] ?? '') ? own : localSystem(names.join('|')) };
}

/** MR, then PI, then the first (HL7 v2 table 0203): of several identifiers a reading can name one. */
function personOf(pid: Segment, systems: Systems): Pick<Group, 'pid' | 'subject' | 'personFault'> {
  const found: { readonly type: string; readonly token: Token }[] = [];
  let isNamed = false;
  for (let repetition = 1; repetition <= pid.repetitions(3); repetition += 1) {
    const value = pid.text(3, 1, 1, repetition);
    if (value === '') continue;
    isNamed = true;
    const system = systemOf(assignerOfCx(pid, 3, repetition), systems);
    if (system !== undefined) found.push({ type: pid.text(3, 5, 1, repetition), token: { system, value } });
  }
  const chosen = found.find(({ type }) => type === 'MR') ?? found.find(({ type }) => type === 'PI') ?? found[0];
  if (chosen) return { pid, subject: chosen.token };
  if (!isNamed) return { pid };
  return {
    pid,
    personFault: fault(
      'ERR_BAD_VALUE',
      CONDITION.required,
      'No patient identifier in PID-3 says who assigned it. Send the assigning authority in its fourth component.',
      { segment: 'PID', sequence: pid.sequence, field: 3, component: 4 },
    ),
  };
}

/** Rows about the device itself hold no measurement: its kind, its clock, its place in the containment tree. */
function isReading(obx: Segment): boolean {
  const codes = [1, 4].map((at) => ({ system: CODING_SYSTEMS[obx.text(3, at + 2)], code: obx.text(3, at) }));
  if (codes.some(({ system, code }) => isMeasurement(system, code))) return true;
  if (codes.some(({ system, code }) => system === SYSTEM.mdc && isOfTheDevice(code))) return false;
  return obx.text(2) !== '' || obx.text(5) !== '';
}

/** The MDS that an OBX belongs to: the first number of OBX-4 (IHE PCD-01, containment). */
function deviceLevel(obx: Segment): string {
  return obx.text(4).split('.', 1)[0] ?? '';
}

/** Devices that rows name for those below them. */
class DevicesAbove {
  readonly #ofOrder = new Map<string, Token>();
  /** Undefined where two orders of a person name two devices at one level: each counts its levels anew. */
  readonly #ofPerson = new Map<string, Token | undefined>();

  note({ person, order }: Above, level: string, token: Token): void {
    const [own, whole] = [JSON.stringify([person, order, level]), JSON.stringify([person, level])];
    if (!this.#ofOrder.has(own)) this.#ofOrder.set(own, token);
    const known = this.#ofPerson.get(whole);
    const isOther = this.#ofPerson.has(whole) && (known?.system !== token.system || known.value !== token.value);
    this.#ofPerson.set(whole, isOther ? undefined : token);
  }

  /** That of the same order, else the one that all orders of the person name; never that of another person. */
  above({ person, order }: Above, level: string): Token | undefined {
    return this.#ofOrder.get(JSON.stringify([person, order, level])) ?? this.#ofPerson.get(JSON.stringify([person, level]));
  }
}

/** How many PID, and how many OBR, stand above a row. */
interface Above {
  readonly person: number;
  readonly order: number;
}

function aboveRows(segments: readonly Segment[]): ReadonlyMap<Segment, Above> {
  const above = new Map<Segment, Above>();
  let [person, order] = [0, 0];
  for (const segment of segments) {
    if (segment.name === 'PID') person += 1;
    else if (segment.name === 'OBR') order += 1;
    else if (segment.name === 'OBX') above.set(segment, { person, order });
  }
  return above;
}

function devicesIn(
  above: ReadonlyMap<Segment, Above>,
  { systems, sender }: { readonly systems: Systems; readonly sender?: string },
): DevicesAbove {
  const devices = new DevicesAbove();
  for (const [obx, place] of above) {
    if (isReading(obx)) continue;
    const level = deviceLevel(obx);
    const token = tokenOfDevice(obx, 18, systems, sender);
    if (level !== '' && token) devices.note(place, level, token);
  }
  return devices;
}

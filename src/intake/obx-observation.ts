/** One OBX, with the PID and OBR that it stands under, as an Observation. Pure. */
import type { JsonObject } from '../core/json.ts';
import { exactNumber } from '../core/json.ts';
import { SYSTEM, VITAL_SIGNS_CATEGORY } from '../core/terminology.ts';
import type { SentReading } from '../ingest.ts';
import { CODING_SYSTEMS, COMPARATORS, CONDITION, MDC_UNITS, NOT_A_VALUE, STATUSES, unverifiedStatus, type Condition } from './v2-codes.ts';
import { fault, type Place, type V2Fault } from './v2-fault.ts';
import { tokenOfDevice, tokenOfEi, type Systems, type Token } from './v2-identifiers.ts';
import type { Segment } from './v2-message.ts';
import { toDateTime, type Offsets } from './v2-time.ts';

/** What holds for every OBX below one PID and OBR. */
export interface Group {
  readonly systems: Systems;
  readonly offsets: Offsets;
  readonly claimsPcd: boolean;
  /** System of identifiers that only their sender tells apart. */
  readonly sender?: string;
  readonly pid?: Segment;
  readonly subject?: Token;
  readonly personFault?: V2Fault;
  readonly obr?: Segment;
  /** The device of the rows above it. */
  readonly inherited?: Token;
}

export interface ObxReading extends SentReading {
  /** Where in the message the elements of the Observation come from. */
  readonly places: Places;
}

export interface Places {
  readonly obx: Place;
  readonly subject: Place;
  readonly time: Place;
  readonly identifier: Place;
}

export function toObservation(obx: Segment, group: Group): ObxReading | V2Fault {
  const at = (field: number, component?: number): Place => ({
    segment: 'OBX',
    sequence: obx.sequence,
    field,
    ...(component !== undefined && { component }),
  });
  if (group.personFault) return group.personFault;

  const statusCode = obx.text(11);
  if (statusCode === '')
    return fault(
      'ERR_BAD_VALUE',
      CONDITION.required,
      'OBX-11 does not say how far the result is. Send F, or another code of table 0085.',
      at(11),
    );
  const status = statusCode === 'R' ? unverifiedStatus(group.claimsPcd) : STATUSES[statusCode];
  if (status === undefined)
    return fault('ERR_NOT_SUPPORTED', CONDITION.table, 'OBX-11 is no status of a reading. Send F, P, C, A, D, W, X or R.', at(11));
  const isVoid = status.status === 'entered-in-error';

  const code = codingsOf(obx, 3);
  if (code.length === 0)
    return fault('ERR_BAD_VALUE', CONDITION.required, 'OBX-3 does not say what was measured. Send a LOINC (LN) or MDC code.', at(3));

  const identifier = identifierOf(obx, group);
  if (identifier === undefined && (isVoid || status.status === 'corrected' || status.status === 'amended'))
    return fault(
      'ERR_BAD_VALUE',
      CONDITION.required,
      'It corrects or withdraws a reading, and nothing says which. Send the OBR-3 or OBX-21 that the reading came with.',
      obx.text(21) === '' && group.obr ? { segment: 'OBR', sequence: group.obr.sequence, field: 3 } : at(21),
    );

  const value = valueOf(obx, status.status, at);
  if (!value.ok) return value.fault;

  const own = obx.text(14);
  const timePlace: Place = own === '' && group.obr ? { segment: 'OBR', sequence: group.obr.sequence, field: 7 } : at(14);
  const written = own === '' ? (group.obr?.text(7) ?? '') : own;
  const dated = written === '' ? undefined : toDateTime(written, group.offsets);
  if (dated?.ok === false) return fault('ERR_BAD_VALUE', CONDITION.dataType, dated.problem, timePlace);

  const device = tokenOfDevice(obx, 18, group.systems, group.sender) ?? group.inherited;
  const method = codingsOf(obx, 17).filter((coding) => 'system' in coding);
  const observation: JsonObject = {
    resourceType: 'Observation',
    ...(identifier && { identifier: [{ ...identifier }] }),
    status: status.status,
    category: [{ coding: [{ system: VITAL_SIGNS_CATEGORY.system, code: VITAL_SIGNS_CATEGORY.code }] }],
    code: { coding: code },
    ...(group.subject && { subject: { identifier: { ...group.subject } } }),
    ...(dated && { effectiveDateTime: dated.dateTime }),
    ...value.members,
    ...(method.length > 0 && { method: { coding: method } }),
    ...(device && { device: { identifier: { ...device } } }),
  };
  const places: Places = {
    obx: { segment: 'OBX', sequence: obx.sequence },
    subject: group.pid ? { segment: 'PID', sequence: group.pid.sequence, field: 3 } : { segment: 'PID', sequence: 1, field: 3 },
    time: timePlace,
    identifier: obx.text(21) === '' && group.obr ? { segment: 'OBR', sequence: group.obr.sequence, field: 3 } : at(21),
  };
  return { observation, replaces: status.replaces, places };
}

/** Up to two codings of a CWE; local ones keep their code and have no system. */
function codingsOf(segment: Segment, field: number): JsonObject[] {
  return [1, 4].flatMap((first) => {
    const [code, display, name] = [0, 1, 2].map((further) => segment.text(field, first + further)) as [string, string, string];
    const system = CODING_SYSTEMS[name];
    if (!/^\S+( \S+)*$/.test(code)) return [];
    return [{ ...(system !== undefined && { system }), code, ...(display !== '' && { display }) }];
  });
}

/**
 * OBX-21; without it what the v2 mapping of R4's Observation.identifier says: OBR-3 with OBX-3 and
 * OBX-4. Both stay the same when a result is sent again or put right. MSH-10 would not do: a
 * correction has another one, and some senders count from 1 every day.
 */
function identifierOf(obx: Segment, { obr, systems, sender }: Group): Token | undefined {
  const own = tokenOfEi(obx, 21, systems, sender);
  if (own) return own;
  const order = obr && tokenOfEi(obr, 3, systems, sender);
  if (order === undefined) return undefined;
  const [code, sub] = [obx.text(3), obx.text(4)];
  return { system: order.system, value: [order.value, code, ...(sub === '' ? [] : [sub])].join('^') };
}

/** NM (HL7 v2.5.1 section 2.A.47): a sign, digits, a point and digits. */
const NM = /^([+-]?)(\d*)(?:\.(\d+))?$/;

type Valued = { readonly ok: true; readonly members: JsonObject } | { readonly ok: false; readonly fault: V2Fault };

function valueOf(obx: Segment, status: string, at: (field: number) => Place): Valued {
  const wrong = (condition: Condition, problem: string, field: number): Valued => ({
    ok: false,
    fault: fault('ERR_BAD_VALUE', condition, problem, at(field)),
  });
  const written = obx.text(5);
  const isVoid = status === 'entered-in-error';
  if (status === 'cancelled') {
    if (written === '') return ABSENT;
    return wrong(CONDITION.dataType, 'OBX-11 says that there is no result, and OBX-5 gives one. Send the one or the other.', 5);
  }
  // what is withdrawn is known by its identifier
  if (written === '' && isVoid) return ABSENT;
  if (written === '') return wrong(CONDITION.required, 'OBX-5 holds no value. Send it, or X in OBX-11 when there is none.', 5);
  if (obx.text(2) !== 'NM') return wrong(CONDITION.dataType, 'Weights, heights and BMI are numbers. Send NM in OBX-2.', 2);
  if (obx.repetitions(5) > 1) return wrong(CONDITION.dataType, 'OBX-5 holds more than one value. Send an OBX for each.', 5);
  const digits = digitsOf(written);
  if (digits === undefined)
    return wrong(CONDITION.dataType, 'OBX-5 is no number as HL7 v2 writes one. Send digits with a point, such as 70.0.', 5);
  const flag = flagOf(obx);
  const said = NOT_A_VALUE[flag];
  if (said !== undefined && !isVoid)
    return wrong(
      CONDITION.table,
      `OBX-8 says that the value is ${said}, so it is no reading to keep. Weigh again and send what the scale then shows.`,
      8,
    );
  const unit = unitOf(obx);
  if (unit === undefined) return wrong(CONDITION.table, 'The two units in OBX-6 are not the same. Send one of them.', 6);
  const comparator = COMPARATORS[flag];
  return { ok: true, members: { valueQuantity: { value: exactNumber(digits), ...(comparator && { comparator }), ...unit } } };
}

/** The message says that there is no value, and not why. */
const ABSENT: Valued = {
  ok: true,
  members: { dataAbsentReason: { coding: [{ system: SYSTEM.dataAbsentReason, code: 'unknown', display: 'Unknown' }] } },
};

/** The number as it was written, but for a plus and zeros in front, which neither JSON nor NM gives a meaning. */
function digitsOf(written: string): string | undefined {
  const [, sign = '', whole = '', fraction] = NM.exec(written) ?? [];
  if (whole === '' && fraction === undefined) return undefined;
  return `${sign === '-' ? '-' : ''}${whole.replace(/^0+(?=\d)/, '') || '0'}${fraction === undefined ? '' : `.${fraction}`}`;
}

/** The first of OBX-8 that speaks of the value itself. */
function flagOf(obx: Segment): string {
  for (let repetition = 1; repetition <= obx.repetitions(8); repetition += 1) {
    const flag = obx.text(8, 1, 1, repetition);
    if (NOT_A_VALUE[flag] !== undefined || COMPARATORS[flag] !== undefined) return flag;
  }
  return '';
}

/** Members of a Quantity; undefined when OBX-6 names two units that differ. What is no unit here is left to the rules, as it was written. */
function unitOf(obx: Segment): JsonObject | undefined {
  const units = [1, 4].flatMap((first): JsonObject[] => {
    const [code, text, name] = [0, 1, 2].map((further) => obx.text(6, first + further)) as [string, string, string];
    if (code === '') return [];
    const ucum = ucumOf(code, name);
    if (ucum !== undefined) return [{ unit: ucum, system: SYSTEM.ucum, code: ucum }];
    const system = CODING_SYSTEMS[name];
    return [{ unit: text === '' ? code : text, ...(system !== undefined && { system }), code }];
  });
  const [first, second] = units;
  if (first === undefined) return {};
  if (second === undefined || second['code'] === first['code']) return first;
  // a second name that is local says nothing against the first
  const [known, other] = first['system'] === SYSTEM.ucum ? [first, second] : [second, first];
  return known['system'] === SYSTEM.ucum && other['system'] === undefined ? known : undefined;
}

function ucumOf(code: string, name: string): string | undefined {
  if (name === 'UCUM') return code;
  if (name === 'MDC') return MDC_UNITS[code];
  // ISO+ writes every unit that is taken here as UCUM does; any other code is refused, and the rule can say what was meant
  return name === '' || name === 'ISO+' ? code : undefined;
}

/** What is said in ERR of readings that were judged, and of errors on the way there. */
import type * as fhir4 from 'fhir/r4.js';
import { NO_REMARKS } from '../core/finding.ts';
import { OURS } from '../core/terminology.ts';
import { ruleIdOf, type ErrorCode, type ServiceError, ERRORS } from '../errors.ts';
import type { IntakeAnswer } from '../ingest.ts';
import type { Remark } from './acknowledgement.ts';
import type { Places } from './obx-observation.ts';
import { CONDITION, type Condition } from './v2-codes.ts';
import type { Place, V2Fault } from './v2-fault.ts';

/** An ERR for each finding, the worst first; then, when others of the message are not stored, that this one is. */
export function remarksOn({ outcome, resource, status }: IntakeAnswer, places: Places, isOneOfSome: boolean): Remark[] {
  const remarks = outcome.issue.flatMap((issue) => remarkOn(issue, places));
  if (status >= 400 || resource === undefined || !isOneOfSome) return remarks;
  const text = `This reading is stored as Observation/${resource.id}. It need not be sent again.`;
  return [...remarks, { severity: 'I', condition: CONDITION.accepted, text, place: places.obx }];
}

function remarkOn({ severity, code, details, diagnostics = '', expression }: fhir4.OperationOutcomeIssue, places: Places): Remark[] {
  const coding = details?.coding?.find(({ system }) => system === OURS.ruleSystem);
  const { code: id, display: title = '' } = coding ?? {};
  if (id === NO_REMARKS.id) return [];
  const [path] = expression ?? [];
  return [
    {
      severity: severity === 'information' ? 'I' : severity === 'warning' ? 'W' : 'E',
      condition: severity === 'error' || severity === 'fatal' ? (CONDITIONS[code] ?? CONDITION.dataType) : CONDITION.accepted,
      ...(id !== undefined && { rule: { id, title } }),
      text: [diagnostics, ...(IN_V2[id ?? ''] ?? [])].join(' '),
      ...(path !== undefined && { expression: path }),
      place: placeOf(path ?? '', places),
    },
  ];
}

/** What a rule's sentence says for HTTP only. */
const IN_V2: Readonly<Record<string, readonly string[] | undefined>> = {
  'identifier-conflict': ['In HL7 v2, send a correction with C in OBX-11.'],
  'same-reading-other-status': ['In HL7 v2, send C, D or W in OBX-11 with the OBR-3 or OBX-21 that it came with.'],
};

/**
 * Table 0357 has no word for a reading that is implausible, so it is a data type error: not 207,
 * which would have it sent again for ever.
 */
const CONDITIONS: Readonly<Record<string, Condition | undefined>> = {
  required: CONDITION.required,
  'code-invalid': CONDITION.table,
  'not-supported': CONDITION.table,
  'not-found': CONDITION.unknownKey,
  forbidden: CONDITION.unknownKey,
  conflict: CONDITION.duplicateKey,
  duplicate: CONDITION.duplicateKey,
  'multiple-matches': CONDITION.duplicateKey,
  'too-long': CONDITION.tooLong,
  transient: CONDITION.internal,
  exception: CONDITION.internal,
};

/** The field that an element was read from (HL7 v2-to-FHIR guide, segment maps PID, OBR and OBX). */
function placeOf(expression: string, { obx, subject, time, identifier }: Places): Place {
  const element = /^Observation\.([a-zA-Z]+)/.exec(expression)?.[1] ?? '';
  if (element === 'subject') return subject;
  if (element.startsWith('effective')) return time;
  if (element === 'identifier') return identifier;
  const field = element.startsWith('value') && /\.(unit|code|system)$/.test(expression) ? 6 : FIELDS[element];
  return field === undefined ? obx : { ...obx, field };
}

const FIELDS: Readonly<Record<string, number | undefined>> = {
  code: 3,
  value: 5,
  valueQuantity: 5,
  dataAbsentReason: 5,
  interpretation: 8,
  status: 11,
  method: 17,
  device: 18,
};

/** A call over HTTP would have ended in this error. */
export function remarkOnError(error: ServiceError, places?: Places): Remark {
  const { issue, title } = error.row;
  return {
    severity: 'E',
    condition: CONDITIONS[issue] ?? CONDITION.dataType,
    rule: { id: ruleIdOf(error.code), title },
    text: error.message,
    ...(error.expression !== undefined && { expression: error.expression }),
    ...(places && { place: placeOf(error.expression ?? '', places) }),
  };
}

export function remarkOnFault({ code, condition, problem, place }: V2Fault): Remark {
  return { severity: 'E', condition, rule: ruleOf(code), text: problem, ...(place && { place }) };
}

function ruleOf(code: ErrorCode): { readonly id: string; readonly title: string } {
  return { id: ruleIdOf(code), title: ERRORS[code].title };
}

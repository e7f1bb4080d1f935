/** Resends, conflicts and corrections. Passports; the use case raises them. */
import { NO_REMARKS } from '../finding.ts';
import type { Rule } from './rule.ts';

const IDENTITY = 'HL7 Personal Health Device guide, conditional create identifier; IHE and HL7 practice: one identifier, one reading';

export const identifierConflict: Rule = {
  id: 'identifier-conflict',
  title: 'The identifier belongs to another reading',
  family: 'identity',
  outcome: 'refuse',
  movable: false,
  code: 'conflict',
  expression: 'Observation.identifier',
  source: IDENTITY,
  explain:
    'A reading with this identifier and another content is stored as Observation/{existing}. Correct that one with PUT and If-Match, or give this reading an identifier of its own.',
  refusalStatus: 409,
};

export const otherStatus: Rule = {
  id: 'same-reading-other-status',
  title: 'The same reading with another status',
  family: 'identity',
  outcome: 'refuse',
  movable: false,
  code: 'conflict',
  expression: 'Observation.status',
  source: IDENTITY,
  explain:
    'The same measurement is stored as Observation/{existing} with another status. Bring that one to the new status with PUT and If-Match.',
  refusalStatus: 409,
};

export const resent: Rule = {
  id: 'resent',
  title: 'The same reading again',
  family: 'identity',
  outcome: 'inform',
  movable: false,
  code: 'duplicate',
  expression: 'Observation',
  source: IDENTITY,
  explain: 'This reading is stored already as Observation/{existing}; nothing was stored or forwarded a second time. No action is needed.',
};

export const resentHeld: Rule = {
  ...resent,
  id: 'resent-held',
  title: 'The same reading again, which still waits',
  outcome: 'warn',
  explain:
    'This reading is stored already as Observation/{existing} and is held there; nothing was stored a second time. Weigh again, or decide what becomes of it.',
};

export const correctionUnknown: Rule = {
  id: 'correction-unknown',
  title: 'A withdrawal of a reading that was never received',
  family: 'identity',
  outcome: 'refuse',
  movable: false,
  code: 'not-found',
  expression: 'Observation.status',
  source: 'HL7 FHIR R4 (4.0.1), ValueSet observation-status, entered-in-error',
  explain: 'The status is entered-in-error, but no such reading is stored. Withdraw a stored reading with PUT on its own address.',
};

export const correctionOtherReading: Rule = {
  id: 'correction-other-reading',
  title: 'A correction that makes another reading of it',
  family: 'identity',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: 'Observation',
  source: 'HL7 FHIR R4 (4.0.1), Observation.status: wrong patient is entered-in-error, not amended',
  explain: 'A correction may not change the {what}. Mark this reading as entered-in-error and post the right one anew.',
};

export const severalMatches: Rule = {
  id: 'several-matches',
  title: 'The condition fits more than one reading',
  family: 'identity',
  outcome: 'refuse',
  movable: false,
  code: 'multiple-matches',
  expression: 'http.If-None-Exist',
  source: 'HL7 FHIR R4 (4.0.1), RESTful API, conditional create',
  explain: 'More than one stored reading carries the identifier of the condition. Name one reading by an identifier of its own.',
  refusalStatus: 412,
};

export const IDENTITY_RULES: readonly Rule[] = [
  identifierConflict,
  otherStatus,
  resent,
  resentHeld,
  correctionUnknown,
  correctionOtherReading,
  severalMatches,
  NO_REMARKS,
];

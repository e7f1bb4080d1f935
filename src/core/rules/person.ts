/** Whose reading it is, and what is not known of the person. */
import { keyOf, pointerOf } from '../pointers.ts';
import { isUnassigned } from '../unassigned.ts';
import type { Rule, Subject } from './rule.ts';

const SUBJECT = 'Observation.subject';
const VITAL_SIGNS = 'HL7 FHIR R4 (4.0.1), StructureDefinition vitalsigns, subject (1..1, Patient)';

function pointer({ observation, context }: Subject): ReturnType<typeof pointerOf> {
  return pointerOf(observation.subject, context.knownBases);
}

const subjectMissing: Rule = {
  id: 'subject-missing',
  title: 'Nobody is named',
  family: 'person',
  outcome: 'refuse',
  movable: false,
  code: 'required',
  expression: SUBJECT,
  source: VITAL_SIGNS,
  explain: 'It does not say whose reading this is. Send subject with a reference Patient/ID or with an identifier of system and value.',
  check: (subject) => (pointer(subject).kind === 'missing' && !isUnassigned(subject.context.person.key) ? {} : undefined),
};

/** Only a claim settles it: neither a second weighing nor a decision says whose reading it is. */
const subjectUnassigned: Rule = {
  id: 'subject-unassigned',
  title: 'Nobody is named, and the reading waits to be claimed',
  family: 'person',
  outcome: 'hold',
  movable: false,
  code: 'required',
  expression: SUBJECT,
  source: 'common practice, no source: a scale that knows nobody is read first and the wristband scanned after',
  explain:
    "It does not say whose reading this is, so it is kept apart and never forwarded. Scan the person's identifier and claim it within {minutes} minutes of measuring, or weigh again.",
  settings: ['unassigned.accept', 'unassigned.claimMinutes'],
  check: (subject) => {
    const { policy, person } = subject.context;
    const isNobodys = pointer(subject).kind === 'missing' && isUnassigned(person.key);
    return isNobodys ? { facts: { minutes: String(policy.values['unassigned.claimMinutes']) } } : undefined;
  },
};

const subjectDisplayOnly: Rule = {
  id: 'subject-display-only',
  title: 'The person is only named, not identified',
  family: 'person',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: SUBJECT,
  source: `${VITAL_SIGNS}; common practice: a name is no identifier`,
  explain: "The subject has neither a reference nor an identifier with system and value. Scan the person's identifier and send it.",
  check: (subject) => (pointer(subject).kind === 'display-only' ? {} : undefined),
};

const subjectNotPatient: Rule = {
  id: 'subject-not-patient',
  title: 'The subject is not a Patient',
  family: 'person',
  outcome: 'refuse',
  movable: false,
  code: 'value',
  expression: SUBJECT,
  source: VITAL_SIGNS,
  explain: 'The subject refers to something other than a Patient. Send a reference to the Patient who was measured.',
  check: (subject) => {
    const target = pointer(subject);
    const type = subject.observation.subject?.type;
    const wrong =
      (target.kind === 'literal' && target.type !== 'Patient') || target.kind === 'contained' || (type !== undefined && type !== 'Patient');
    return wrong ? {} : undefined;
  },
};

const subjectUnresolvable: Rule = {
  id: 'subject-unresolvable',
  title: 'The subject cannot be resolved',
  family: 'person',
  outcome: 'refuse',
  movable: false,
  code: 'not-supported',
  expression: `${SUBJECT}.reference`,
  source: 'HL7 FHIR R4 (4.0.1), References and RESTful API, transaction; local policy: references to other hosts are never followed',
  explain: "The reference is {what}. Send Patient/ID in the EHR's own id space, or an identifier with system and value.",
  check: (subject) => {
    const { kind } = pointer(subject);
    const what = {
      elsewhere: 'an address on another host or no reference at all',
      conditional: 'conditional, which only a transaction Bundle may use',
      unresolved: 'a temporary id that no entry of the Bundle has',
    } as const;
    return kind === 'elsewhere' || kind === 'conditional' || kind === 'unresolved' ? { facts: { what: what[kind] } } : undefined;
  },
};

const referenceUnresolved: Rule = {
  id: 'reference-unresolved',
  title: 'A temporary reference that nothing resolves',
  family: 'structure',
  outcome: 'refuse',
  movable: false,
  code: 'not-found',
  expression: 'Observation',
  source: 'HL7 FHIR R4 (4.0.1), RESTful API, transaction: urn:uuid references resolve within their Bundle',
  explain:
    'A reference is a temporary id that no entry of the Bundle has, so no receiver could resolve it. Send what it means in the same transaction, or a reference that lasts.',
  check: ({ observation }) => {
    const { subject: _subject, ...others } = observation; // `subject-unresolvable` speaks of the subject
    const [element] = Object.entries(others).find(([, value]) => holdsTemporaryReference(value)) ?? [];
    return element === undefined ? undefined : { expression: `Observation.${element}` };
  },
};

function holdsTemporaryReference(value: unknown): boolean {
  if (value === null || typeof value !== 'object') return false;
  return Object.entries(value).some(
    ([key, item]) => (key === 'reference' && typeof item === 'string' && /^urn:(uuid|oid):/.test(item)) || holdsTemporaryReference(item),
  );
}

const focusElsewhere: Rule = {
  id: 'focus-elsewhere',
  title: 'Measured of somebody else than the subject',
  family: 'person',
  outcome: 'refuse',
  movable: false,
  code: 'not-supported',
  expression: 'Observation.focus',
  source: 'HL7 FHIR R4 (4.0.1), Observation.focus: what was observed, when it is not the subject',
  explain:
    'The focus says that the number belongs to somebody or something other than the subject. Send the reading with that person as subject.',
  check: ({ observation, context: { knownBases } }) => {
    const subject = keyOf(pointerOf(observation.subject, knownBases));
    return observation.focus?.some((focus) => keyOf(pointerOf(focus, knownBases)) !== subject) ? {} : undefined;
  },
};

const personAmbiguous: Rule = {
  id: 'person-ambiguous',
  title: 'The identifier fits more than one person',
  family: 'person',
  outcome: 'hold',
  movable: false,
  code: 'multiple-matches',
  expression: `${SUBJECT}.identifier`,
  source: 'common practice, no source: exactly one match, or a person decides',
  explain:
    'More than one Patient carries this identifier, so it is not certain whose reading this is. Decide which person it is, or mend the identifiers.',
  check: ({ context }) => (context.person.ambiguous ? {} : undefined),
};

const personUnknown: Rule = {
  id: 'person-unknown',
  title: 'Nothing is known of the person',
  family: 'person',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: SUBJECT,
  source: 'local policy',
  explain:
    'The service has not been told of this person, so limits for the age could not be applied. Send the Patient with a birth date (PUT Patient).',
  check: ({ context: { person } }) => (person.known || person.ambiguous || person.key === '' || isUnassigned(person.key) ? undefined : {}),
};

const ageUnknown: Rule = {
  id: 'age-unknown',
  title: 'The age is not known well enough',
  family: 'person',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: SUBJECT,
  source: 'local policy',
  explain:
    'The birth date of this person is missing or too coarse, so limits for the age could not be applied. Send the Patient with a full birth date (PUT Patient).',
  check: ({ context, band, effective }) => (context.person.known && band === 'age-unknown' && effective !== undefined ? {} : undefined),
};

export const PERSON_RULES: readonly Rule[] = [
  subjectMissing,
  subjectUnassigned,
  subjectDisplayOnly,
  subjectNotPatient,
  subjectUnresolvable,
  referenceUnresolved,
  focusElsewhere,
  personAmbiguous,
  personUnknown,
  ageUnknown,
];

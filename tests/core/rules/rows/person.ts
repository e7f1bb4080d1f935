/** Example rows of the rules about whose reading it is. */
import { ADA, height, policyWith, weight, type Changes } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const TEMPORARY = 'urn:uuid:0b49fe9e-608d-4ec4-9070-37b2a2ca1721';
const NOBODY = { key: '', known: false };
const UNASSIGNED = { key: 'unassigned:Location/ward-invented', known: false };
const BY_NUMBER = { identifier: { system: 'https://harbourlight.example/persons', value: 'HL-1' } };
const literal = weight();
const logical = weight('70.0', 'kg', { subject: BY_NUMBER });

export const PERSON_ROWS: Readonly<Record<string, RuleRows>> = {
  'subject-missing': {
    as: { outcome: 'refuse', code: 'required', expression: 'Observation.subject' },
    accepts: [
      { title: 'a literal reference to a Patient', observation: literal },
      { title: 'an identifier with system and value', observation: logical },
    ],
    rejects: [
      {
        title: 'no subject at all',
        observation: weight('70.0', 'kg', { subject: undefined }),
        context: { person: NOBODY },
        message:
          'It does not say whose reading this is. Send subject with a reference Patient/ID or with an identifier of system and value.',
      },
    ],
  },
  'subject-unassigned': {
    as: { outcome: 'hold', code: 'required', expression: 'Observation.subject' },
    accepts: [
      { title: 'a person who is named', observation: literal },
      {
        title: 'nobody, where the policy takes no such reading in',
        observation: weight('70.0', 'kg', { subject: undefined }),
        context: { person: NOBODY },
        also: { 'subject-missing': 'the policy refuses it' },
      },
    ],
    rejects: [
      {
        title: 'nobody, kept for the place of the scale',
        observation: weight('70.0', 'kg', { subject: undefined }),
        context: { person: UNASSIGNED },
        message:
          "It does not say whose reading this is, so it is kept apart and never forwarded. Scan the person's identifier and claim it within 30 minutes of measuring, or weigh again.",
      },
      {
        title: 'nobody, and a policy that gives five minutes',
        observation: height('170.0', 'cm', { subject: undefined }),
        context: { person: UNASSIGNED, policy: policyWith({ 'unassigned.accept': true, 'unassigned.claimMinutes': 5 }) },
        message:
          "It does not say whose reading this is, so it is kept apart and never forwarded. Scan the person's identifier and claim it within 5 minutes of measuring, or weigh again.",
      },
    ],
  },
  'subject-display-only': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.subject' },
    accepts: [
      {
        title: 'a display beside a reference',
        observation: weight('70.0', 'kg', { subject: { reference: 'Patient/ada', display: 'A.' } }),
      },
    ],
    rejects: [
      {
        title: 'a name and nothing else',
        observation: weight('70.0', 'kg', { subject: { display: 'Ada Harbour (invented)' } }),
        context: { person: NOBODY },
        message: "The subject has neither a reference nor an identifier with system and value. Scan the person's identifier and send it.",
      },
      {
        title: 'an identifier whose system is missing',
        observation: weight('70.0', 'kg', { subject: { identifier: { value: 'HL-1' } } }),
        context: { person: NOBODY },
        message: "The subject has neither a reference nor an identifier with system and value. Scan the person's identifier and send it.",
      },
    ],
  },
  'subject-not-patient': {
    as: { outcome: 'refuse', code: 'value', expression: 'Observation.subject' },
    accepts: [
      { title: 'a reference with its type', observation: weight('70.0', 'kg', { subject: { reference: 'Patient/ada', type: 'Patient' } }) },
      {
        title: 'an absolute reference into a base that is known',
        observation: weight('70.0', 'kg', { subject: { reference: 'https://ehr.example/fhir/Patient/ada' } }),
        context: { knownBases: ['https://ehr.example/fhir'] },
      },
    ],
    rejects: ['Group/ward', 'Device/scale-7', 'Location/bed-3'].map((reference) => ({
      title: `a reference to ${reference}`,
      observation: weight('70.0', 'kg', { subject: { reference } }),
      context: { person: NOBODY },
      message: 'The subject refers to something other than a Patient. Send a reference to the Patient who was measured.',
    })),
  },
  'subject-unresolvable': {
    as: { outcome: 'refuse', code: 'not-supported', expression: 'Observation.subject.reference' },
    accepts: [{ title: 'a version of a Patient', observation: weight('70.0', 'kg', { subject: { reference: 'Patient/ada/_history/3' } }) }],
    rejects: [
      ['https://elsewhere.example/fhir/Patient/ada', 'an address on another host or no reference at all'],
      ['ada', 'an address on another host or no reference at all'],
      ['Patient?identifier=HL-1', 'conditional, which only a transaction Bundle may use'],
      ['urn:uuid:0b49fe9e-608d-4ec4-9070-37b2a2ca1721', 'a temporary id that no entry of the Bundle has'],
    ].map(([reference = '', what = '']) => ({
      title: reference,
      observation: weight('70.0', 'kg', { subject: { reference } }),
      context: { person: NOBODY },
      message: `The reference is ${what}. Send Patient/ID in the EHR's own id space, or an identifier with system and value.`,
    })),
  },
  'reference-unresolved': {
    as: { outcome: 'refuse', code: 'not-found', expression: 'Observation' },
    accepts: [
      { title: 'a device that lasts', observation: weight('70.0', 'kg', { device: { reference: 'Device/scale-7' } }) },
      { title: 'a text that only looks so', observation: weight('70.0', 'kg', { note: [{ text: TEMPORARY }] }) },
    ],
    rejects: [
      ['the device', { device: { reference: TEMPORARY } }, 'Observation.device'],
      ['a performer', { performer: [{ display: 'N. Urse' }, { reference: TEMPORARY }] }, 'Observation.performer'],
      [
        'an extension',
        { extension: [{ url: 'https://harbourlight.example/by', valueReference: { reference: TEMPORARY } }] },
        'Observation.extension',
      ],
    ].map(([title, changes, expression]) => ({
      title: title as string,
      observation: weight('70.0', 'kg', changes as Changes),
      expression: expression as string,
      message:
        'A reference is a temporary id that no entry of the Bundle has, so no receiver could resolve it. Send what it means in the same transaction, or a reference that lasts.',
    })),
  },
  'focus-elsewhere': {
    as: { outcome: 'refuse', code: 'not-supported', expression: 'Observation.focus' },
    accepts: [{ title: 'the subject again', observation: weight('70.0', 'kg', { focus: [{ reference: 'Patient/ada' }] }) }],
    rejects: [
      {
        title: 'somebody else',
        observation: weight('70.0', 'kg', { focus: [{ reference: 'Patient/bo' }] }),
        message:
          'The focus says that the number belongs to somebody or something other than the subject. Send the reading with that person as subject.',
      },
    ],
  },
  'person-ambiguous': {
    as: { outcome: 'hold', code: 'multiple-matches', expression: 'Observation.subject.identifier' },
    accepts: [{ title: 'an identifier that fits one person', observation: logical }],
    rejects: [
      {
        title: 'an identifier that two Patients carry',
        observation: logical,
        context: { person: { key: 'identifier:https://harbourlight.example/persons|HL-1', known: false, ambiguous: true } },
        message:
          'More than one Patient carries this identifier, so it is not certain whose reading this is. Decide which person it is, or mend the identifiers.',
      },
    ],
  },
  'person-unknown': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.subject' },
    accepts: [
      { title: 'a person who is known', observation: literal },
      {
        title: 'nobody at all, which is said otherwise',
        observation: weight('70.0', 'kg', { subject: undefined }),
        context: { person: NOBODY },
        also: { 'subject-missing': 'that is the one cause' },
      },
    ],
    rejects: [
      {
        title: 'a person of whom nothing was told',
        observation: literal,
        context: { person: { key: 'Patient/ada', known: false } },
        message:
          'The service has not been told of this person, so limits for the age could not be applied. Send the Patient with a birth date (PUT Patient).',
      },
    ],
  },
  'age-unknown': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.subject' },
    accepts: [
      { title: 'a full birth date', observation: literal },
      {
        title: 'a year of birth whose every day is in one age band',
        observation: literal,
        context: { person: { ...ADA, birthDate: '1980' } },
      },
      {
        title: 'a person of whom nothing is known, which is said otherwise',
        observation: literal,
        context: { person: { key: 'Patient/ada', known: false } },
      },
    ],
    rejects: [
      { title: 'no birth date', person: { key: 'Patient/ada', known: true } },
      { title: 'a year of birth that leaves two bands open', person: { ...ADA, birthDate: '2006' } },
      { title: 'a month of birth that leaves two bands open', person: { ...ADA, birthDate: '2006-03' } },
    ].map(({ title, person }) => ({
      title,
      observation: literal,
      context: { person },
      message:
        'The birth date of this person is missing or too coarse, so limits for the age could not be applied. Send the Patient with a full birth date (PUT Patient).',
    })),
  },
};

/** The translation of device codes, and the operations that FHIR does not define. */
import type * as fhir4 from 'fhir/r4.js';
import { DECISION_CODES, DECISIONS, type DecisionParameter } from '../../src/core/decision.ts';
import { LONGEST_NAME, LONGEST_REASON } from '../../src/ingest/parameters.ts';
import { UNDO_MINUTES } from '../../src/core/undo.ts';
import { MDC_CODES, PARENT_CODE, SYSTEM } from '../../src/core/terminology.ts';
import { header, withNotices } from './published.ts';

export function conceptMaps(): fhir4.ConceptMap[] {
  const naming = {
    id: 'mdc-to-loinc',
    title: 'Device terms to LOINC',
    description:
      'From the terms of IEEE 11073-10101 that personal health device gateways send to the LOINC code that R4 vital signs require. The LOINC code is added beside the term, which stays.',
  };
  const element = MDC_CODES.map(({ code, name, of, source }) => ({
    code,
    display: name,
    target: [{ ...PARENT_CODE[of], equivalence: 'equivalent' as const, comment: source }],
  }));
  return [withNotices({ ...header('ConceptMap', naming), group: [{ source: SYSTEM.mdc, target: SYSTEM.loinc, element }] })];
}

type Parameter = fhir4.OperationDefinitionParameter;

/** `cardinality` as FHIR writes it: `0..1`. */
function parameter(
  use: Parameter['use'],
  name: string,
  cardinality: string,
  type: NonNullable<Parameter['type']>,
  documentation: string,
): Parameter {
  const [min, max] = cardinality.split('..') as [string, string];
  return { name, use, min: Number(min), max, type, documentation };
}

interface Call {
  readonly code: string;
  readonly resource: 'Observation' | 'Device';
  readonly on: 'type' | 'instance';
  readonly affectsState: boolean;
}

function operation(
  { code, resource, on, affectsState }: Call,
  naming: { readonly title: string; readonly description: string },
  parameters: Parameter[],
): fhir4.OperationDefinition {
  return {
    ...header('OperationDefinition', { id: `${resource.toLowerCase()}-${code}`, ...naming }),
    kind: 'operation',
    affectsState,
    code,
    resource: [resource],
    system: false,
    type: on === 'type',
    instance: on === 'instance',
    parameter: parameters,
  };
}

function needing(name: DecisionParameter): string {
  return DECISION_CODES.filter((code) => DECISIONS[code].needs.includes(name)).join(', ');
}

export function operations(): fhir4.OperationDefinition[] {
  return [assess(), decide(), undo(), claim(), affected(), recall()];
}

function assess(): fhir4.OperationDefinition {
  const naming = {
    title: 'Assess a reading',
    description:
      'A dry run of taking in one reading, by the very same engine: the verdict, every finding, the reading as it would be stored and each Observation that would be derived from it. Nothing is stored or forwarded. The body is Parameters, or the Observation itself.',
  };
  return operation({ code: 'assess', resource: 'Observation', on: 'type', affectsState: false }, naming, [
    parameter('in', 'resource', '1..1', 'Observation', 'The reading as it would be sent.'),
    parameter('out', 'verdict', '1..1', 'code', 'accepted, held or refused'),
    parameter('out', 'outcome', '1..1', 'OperationOutcome', 'Every finding: the rule, the element and what to do.'),
    parameter('out', 'observation', '0..1', 'Observation', 'The enriched reading as it would be stored; absent when it is refused.'),
    parameter('out', 'derived', '0..*', 'Observation', 'Each Observation that would follow from it.'),
  ]);
}

const WHO = `Who says so: a reference or an identifier as valueReference, or as valueString a name of at most ${LONGEST_NAME} characters, which is kept as display. It becomes the author in the Provenance. Needed while no token is asked for; with one, the author is the person whom the token names, and who may be left out or must name that person.`;

function decide(): fhir4.OperationDefinition {
  const meanings = DECISION_CODES.map((code) => `${code} (${DECISIONS[code].means})`).join('; ');
  const naming = {
    title: 'Decide on a held reading',
    description:
      'What somebody makes of a reading that is held. A decision is made once: another one, and one on a reading that is not held, is answered 409; only weigh-again leaves the final decision open. A value or a person by which a rule refuses the reading is answered 422 and nothing changes. If-Match is honoured. The Provenance of the version says who decided what, when and why.',
  };
  return operation({ code: 'decide', resource: 'Observation', on: 'instance', affectsState: true }, naming, [
    parameter('in', 'decision', '1..1', 'code', `One of: ${meanings}.`),
    parameter('in', 'reason', '0..1', 'string', `Why, in at most ${LONGEST_REASON} characters. Needed for ${needing('reason')}.`),
    parameter('in', 'who', '0..1', 'Element', WHO),
    parameter('in', 'value', '0..1', 'Quantity', `The right value with its unit, whose digits are kept. Needed for ${needing('value')}.`),
    parameter('in', 'subject', '0..1', 'Reference', `The right person: Patient/ID, or an identifier. Needed for ${needing('subject')}.`),
    parameter(
      'out',
      'outcome',
      '1..1',
      'OperationOutcome',
      'What the rules still say, as warnings; of a moved reading, what they say of it there.',
    ),
    parameter('out', 'observation', '1..1', 'Observation', 'The reading as it stands now.'),
    parameter(
      'out',
      'moved',
      '0..1',
      'Observation',
      'After wrong-person: the reading that stands for the right person, which may be held there.',
    ),
  ]);
}

function undo(): fhir4.OperationDefinition {
  const naming = {
    title: 'Take back a decision',
    description: `Takes back the last decision on a reading (weigh-again too), at most ${UNDO_MINUTES} minutes after it, as long as nothing but the person's other readings has changed the reading since and nothing that follows has gone, or is going, to the EHR. The reading stands again as it did before, as a new version; what wrong-person made for the right person is voided. A decision can be made again. Too late, a second time, and without a decision is answered 409. If-Match is honoured.`,
  };
  return operation({ code: 'undo', resource: 'Observation', on: 'instance', affectsState: true }, naming, [
    parameter('in', 'reason', '0..1', 'string', `Why, in at most ${LONGEST_REASON} characters.`),
    parameter('in', 'who', '0..1', 'Element', WHO),
    parameter('out', 'outcome', '1..1', 'OperationOutcome', 'What was taken back, and what the other readings say now.'),
    parameter('out', 'observation', '1..1', 'Observation', 'The reading as it stands now.'),
    parameter('out', 'moved', '0..1', 'Observation', 'Of a taken back wrong-person: the reading that is void for the other person.'),
  ]);
}

function claim(): fhir4.OperationDefinition {
  const naming = {
    title: 'Claim an unassigned reading',
    description:
      'Names the person of a reading that arrived without one, where the policy holds such readings (unassigned.accept), at most unassigned.claimMinutes after measuring. It is then judged for that person as if it arrived now: accepted, or held by other rules. Too late, or a second time, is answered 409.',
  };
  return operation({ code: 'claim', resource: 'Observation', on: 'instance', affectsState: true }, naming, [
    parameter('in', 'subject', '1..1', 'Reference', 'The person, as scanned: Patient/ID, or an identifier with system and value.'),
    parameter('in', 'who', '0..1', 'Element', WHO),
    parameter('out', 'outcome', '1..1', 'OperationOutcome', 'Every finding for that person.'),
    parameter('out', 'observation', '1..1', 'Observation', 'The reading as it stands now.'),
  ]);
}

const SINCE =
  'From when on the scale is taken to be wrong: a day, which is that whole day in UTC, or a time with its offset. A reading without a time counts when its day reaches as far.';

function affected(): fhir4.OperationDefinition {
  const naming = {
    title: 'What a scale measured since a time',
    description:
      'Lists every weight and height from a scale since a time, held and withdrawn ones too, as the matches of a searchset Bundle, and each BMI derived from those of the page as included. Paged as searches are: _count is 1000 at most, total counts the readings of all pages, and next goes on where the page ends.',
  };
  return operation({ code: 'affected', resource: 'Device', on: 'instance', affectsState: false }, naming, [
    parameter('in', 'since', '1..1', 'dateTime', SINCE),
    parameter('in', '_count', '0..1', 'integer', 'Readings a page; 100 when absent.'),
    parameter('out', 'return', '1..1', 'Bundle', 'A searchset.'),
  ]);
}

function recall(): fhir4.OperationDefinition {
  const naming = {
    title: 'Recall of a scale that was wrong',
    description:
      'Marks every weight and height from a scale since a time, in one unit of work: as entered in error, and their BMI are voided; or with the tag scale-in-doubt, on their BMI too, and then no later weight is compared with them. Later readings are judged again, the health record is told, and a Provenance of each new version says who recalled it, when and why. Called again it changes nothing further, and says so.',
  };
  return operation({ code: 'recall', resource: 'Device', on: 'instance', affectsState: true }, naming, [
    parameter('in', 'since', '1..1', 'dateTime', SINCE),
    parameter('in', 'action', '1..1', 'code', 'entered-in-error or flagged'),
    parameter('in', 'reason', '1..1', 'string', 'Why, in words; kept in each Provenance.'),
    parameter(
      'in',
      'who',
      '0..1',
      'Element',
      'Who recalls it: valueReference (Practitioner, PractitionerRole, Organization; literal, by identifier or by display) or valueString. Needed while no token is asked for; with one it is the person whom the token names, and who may be left out or must name that person.',
    ),
    parameter('out', 'message', '1..1', 'string', 'What was done, in a sentence.'),
    parameter('out', 'affected', '1..1', 'integer', 'Readings of the scale since then.'),
    parameter('out', 'alreadyMarked', '1..1', 'integer', 'Those of them that were marked before.'),
    parameter('out', 'marked', '1..1', 'integer', 'Those that were marked now.'),
    parameter('out', 'derivedChanged', '1..1', 'integer', 'BMI that were voided, marked or derived anew.'),
    parameter('out', 'rejudged', '1..1', 'integer', 'Readings of other scales that stand otherwise now.'),
    parameter('out', 'reading', '0..*', 'Reference', 'A reading that was marked now.'),
    parameter('out', 'derived', '0..*', 'Reference', 'A BMI that was voided, marked or derived anew.'),
    parameter('out', 'otherReading', '0..*', 'Reference', 'A reading of another scale that stands otherwise now.'),
  ]);
}

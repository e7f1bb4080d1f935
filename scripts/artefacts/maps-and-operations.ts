/** The translation of device codes, and the operations that FHIR does not define. */
import type * as fhir4 from 'fhir/r4.js';
import { DECISION_CODES, DECISIONS, type DecisionParameter } from '../../src/core/decision.ts';
import { LONGEST_NAME, LONGEST_REASON } from '../../src/ingest/parameters.ts';
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

function operation(
  code: string,
  on: 'type' | 'instance',
  affectsState: boolean,
  naming: { readonly title: string; readonly description: string },
  parameters: Parameter[],
): fhir4.OperationDefinition {
  return {
    ...header('OperationDefinition', { id: `observation-${code}`, ...naming }),
    kind: 'operation',
    affectsState,
    code,
    resource: ['Observation'],
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
  return [assess(), decide(), claim()];
}

function assess(): fhir4.OperationDefinition {
  const naming = {
    title: 'Assess a reading',
    description:
      'A dry run of taking in one reading, by the very same engine: the verdict, every finding, the reading as it would be stored and each Observation that would be derived from it. Nothing is stored or forwarded. The body is Parameters, or the Observation itself.',
  };
  return operation('assess', 'type', false, naming, [
    parameter('in', 'resource', '1..1', 'Observation', 'The reading as it would be sent.'),
    parameter('out', 'verdict', '1..1', 'code', 'accepted, held or refused'),
    parameter('out', 'outcome', '1..1', 'OperationOutcome', 'Every finding: the rule, the element and what to do.'),
    parameter('out', 'observation', '0..1', 'Observation', 'The enriched reading as it would be stored; absent when it is refused.'),
    parameter('out', 'derived', '0..*', 'Observation', 'Each Observation that would follow from it.'),
  ]);
}

const WHO = `Who says so: a reference or an identifier as valueReference, or as valueString a name of at most ${LONGEST_NAME} characters, which is kept as display. It becomes the author in the Provenance.`;

function decide(): fhir4.OperationDefinition {
  const meanings = DECISION_CODES.map((code) => `${code} (${DECISIONS[code].means})`).join('; ');
  const naming = {
    title: 'Decide on a held reading',
    description:
      'What somebody makes of a reading that is held. A decision is made once: another one, and one on a reading that is not held, is answered 409; only weigh-again leaves the final decision open. A value or a person by which a rule refuses the reading is answered 422 and nothing changes. If-Match is honoured. The Provenance of the version says who decided what, when and why.',
  };
  return operation('decide', 'instance', true, naming, [
    parameter('in', 'decision', '1..1', 'code', `One of: ${meanings}.`),
    parameter('in', 'reason', '0..1', 'string', `Why, in at most ${LONGEST_REASON} characters. Needed for ${needing('reason')}.`),
    parameter('in', 'who', '1..1', 'Element', WHO),
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

function claim(): fhir4.OperationDefinition {
  const naming = {
    title: 'Claim an unassigned reading',
    description:
      'Names the person of a reading that arrived without one, where the policy holds such readings (unassigned.accept), at most unassigned.claimMinutes after measuring. It is then judged for that person as if it arrived now: accepted, or held by other rules. Too late, or a second time, is answered 409.',
  };
  return operation('claim', 'instance', true, naming, [
    parameter('in', 'subject', '1..1', 'Reference', 'The person, as scanned: Patient/ID, or an identifier with system and value.'),
    parameter('in', 'who', '1..1', 'Element', WHO),
    parameter('out', 'outcome', '1..1', 'OperationOutcome', 'Every finding for that person.'),
    parameter('out', 'observation', '1..1', 'Observation', 'The reading as it stands now.'),
  ]);
}

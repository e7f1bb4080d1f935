/** The translation of device codes, and the operations that FHIR does not define. */
import type * as fhir4 from 'fhir/r4.js';
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

function assess(): fhir4.OperationDefinition {
  const naming = {
    id: 'observation-assess',
    title: 'Assess a reading',
    description:
      'A dry run of taking in one reading, by the very same engine: the verdict, every finding, the reading as it would be stored and each Observation that would be derived from it. Nothing is stored or forwarded. The body is Parameters, or the Observation itself.',
  };
  return {
    ...header('OperationDefinition', naming),
    kind: 'operation',
    affectsState: false,
    code: 'assess',
    resource: ['Observation'],
    system: false,
    type: true,
    instance: false,
    parameter: [
      { name: 'resource', use: 'in', min: 1, max: '1', type: 'Observation', documentation: 'The reading as it would be sent.' },
      { name: 'verdict', use: 'out', min: 1, max: '1', type: 'code', documentation: 'accepted, held or refused' },
      {
        name: 'outcome',
        use: 'out',
        min: 1,
        max: '1',
        type: 'OperationOutcome',
        documentation: 'Every finding: the rule, the element and what to do.',
      },
      {
        name: 'observation',
        use: 'out',
        min: 0,
        max: '1',
        type: 'Observation',
        documentation: 'The enriched reading as it would be stored; absent when it is refused.',
      },
      {
        name: 'derived',
        use: 'out',
        min: 0,
        max: '*',
        type: 'Observation',
        documentation: 'Each Observation that would follow from it.',
      },
    ],
  };
}

const SINCE =
  'From when on the scale is taken to be wrong: a day, which is that whole day in UTC, or a time with its offset. A reading without a time counts when its day reaches as far.';

function affected(): fhir4.OperationDefinition {
  const naming = {
    id: 'device-affected',
    title: 'What a scale measured since a time',
    description:
      'Lists every weight and height from a scale since a time, held and withdrawn ones too, as the matches of a searchset Bundle, and each BMI derived from those of the page as included. Paged as searches are: _count is 1000 at most, total counts the readings of all pages, and next goes on where the page ends.',
  };
  return {
    ...header('OperationDefinition', naming),
    kind: 'operation',
    affectsState: false,
    code: 'affected',
    resource: ['Device'],
    system: false,
    type: false,
    instance: true,
    parameter: [
      { name: 'since', use: 'in', min: 1, max: '1', type: 'dateTime', documentation: SINCE },
      { name: '_count', use: 'in', min: 0, max: '1', type: 'integer', documentation: 'Readings a page; 100 when absent.' },
      { name: 'return', use: 'out', min: 1, max: '1', type: 'Bundle', documentation: 'A searchset.' },
    ],
  };
}

function recall(): fhir4.OperationDefinition {
  const naming = {
    id: 'device-recall',
    title: 'Recall of a scale that was wrong',
    description:
      'Marks every weight and height from a scale since a time, in one unit of work: as entered in error, and their BMI are voided; or with the tag scale-in-doubt, on their BMI too, and then no later weight is compared with them. Later readings are judged again, the health record is told, and a Provenance of each new version says who recalled it, when and why. Called again it changes nothing further, and says so.',
  };
  const count = (name: string, documentation: string) => ({
    name,
    use: 'out' as const,
    min: 1,
    max: '1',
    type: 'integer' as const,
    documentation,
  });
  const list = (name: string, documentation: string) => ({
    name,
    use: 'out' as const,
    min: 0,
    max: '*',
    type: 'Reference' as const,
    documentation,
  });
  return {
    ...header('OperationDefinition', naming),
    kind: 'operation',
    affectsState: true,
    code: 'recall',
    resource: ['Device'],
    system: false,
    type: false,
    instance: true,
    parameter: [
      { name: 'since', use: 'in', min: 1, max: '1', type: 'dateTime', documentation: SINCE },
      { name: 'action', use: 'in', min: 1, max: '1', type: 'code', documentation: 'entered-in-error or flagged' },
      { name: 'reason', use: 'in', min: 1, max: '1', type: 'string', documentation: 'Why, in words; kept in each Provenance.' },
      {
        name: 'who',
        use: 'in',
        min: 1,
        max: '1',
        type: 'Element',
        documentation:
          'Who recalls it: valueReference (Practitioner, PractitionerRole, Organization; literal, by identifier or by display) or valueString.',
      },
      { name: 'message', use: 'out', min: 1, max: '1', type: 'string', documentation: 'What was done, in a sentence.' },
      count('affected', 'Readings of the scale since then.'),
      count('alreadyMarked', 'Those of them that were marked before.'),
      count('marked', 'Those that were marked now.'),
      count('derivedChanged', 'BMI that were voided, marked or derived anew.'),
      count('rejudged', 'Readings of other scales that stand otherwise now.'),
      list('reading', 'A reading that was marked now.'),
      list('derived', 'A BMI that was voided, marked or derived anew.'),
      list('otherReading', 'A reading of another scale that stands otherwise now.'),
    ],
  };
}

export function operations(): fhir4.OperationDefinition[] {
  return [assess(), affected(), recall()];
}

/** The translation of device codes, and the operation that FHIR does not define. */
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

export function operations(): fhir4.OperationDefinition[] {
  const naming = {
    id: 'observation-assess',
    title: 'Assess a reading',
    description:
      'A dry run of taking in one reading, by the very same engine: the verdict, every finding, the reading as it would be stored and each Observation that would be derived from it. Nothing is stored or forwarded. The body is Parameters, or the Observation itself.',
  };
  return [
    {
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
    },
  ];
}

/** Our CodeSystems, from the tables of the code. */
import type * as fhir4 from 'fhir/r4.js';
import { OWN_EVENTS } from '../../src/core/audit/codes.ts';
import { HEIGHT_ESTIMATES } from '../../src/core/derive/estimated-height.ts';
import { ADJUSTED_WEIGHT_CODE } from '../../src/core/derive/ideal-weight.ts';
import { WEIGHT_CHANGE_ANSWERS, WEIGHT_CHANGE_CODES } from '../../src/core/derive/weight-change.ts';
import { GROWTH_CODES, PERCENT_OF_P95_CODE } from '../../src/core/growth/coding.ts';
import { CONDITIONS } from '../../src/core/conditions.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { TARE_KINDS } from '../../src/core/tare-kinds.ts';
import { METHODS } from '../../src/core/methods.ts';
import {
  COARSE_TAG,
  ESTIMATED_TAG,
  HELD_TAG,
  IN_DOUBT_TAG,
  READ_FROM_EHR_TAG,
  OURS,
  QUALIFIER,
  REPEAT_TAG,
  UNASSIGNED_TAG,
  WEIGH_AGAIN_TAG,
} from '../../src/core/terminology.ts';
import { ERRORS, ruleIdOf, type ErrorCode } from '../../src/errors.ts';
import { header, idOf } from './published.ts';

type Concept = fhir4.CodeSystemConcept;
type Property = fhir4.CodeSystemProperty;

export function codeSystems(): fhir4.CodeSystem[] {
  return [
    codeSystem(
      OURS.ruleSystem,
      'Measurement rules',
      'Every rule that a reading is judged by, and every error around a request. Each issue of an OperationOutcome names one of these codes. In the definitions, names in braces stand for facts of the reading.',
      [...RULES.map(ruleConcept), ...(Object.keys(ERRORS) as ErrorCode[]).map(errorConcept)],
      [
        { code: 'family', description: 'What the rule is about', type: 'string' },
        { code: 'outcome', description: 'What the rule does by default: refuse, hold, warn or inform', type: 'string' },
        { code: 'source', description: 'Where the rule comes from', type: 'string' },
      ],
    ),
    codeSystem(
      OURS.methodSystem,
      'Measurement methods',
      'Ways of measuring body weight and body height or length, in the words of the ward.',
      Object.entries(METHODS).map(([code, { display, of, position, deviceKind }]) => ({
        code,
        display,
        property: [
          { code: 'measures', valueString: of },
          { code: 'position', valueString: position },
          { code: 'device-kind', valueCode: deviceKind },
        ],
      })),
      [
        { code: 'measures', description: 'weight or height', type: 'string' },
        { code: 'position', description: 'Position of the person: standing, sitting or lying', type: 'string' },
        { code: 'device-kind', description: 'Code of the CodeSystem measuring-device-kind', type: 'code' },
      ],
    ),
    codeSystem(
      OURS.deviceKindSystem,
      'Measuring device kinds',
      'Kinds of devices that weigh people or measure their height or length, and of things that are weighed together with a person.',
      [
        ...new Map([
          ...Object.values(METHODS).map(({ deviceKind, deviceDisplay }) => [deviceKind, deviceDisplay] as const),
          ...Object.entries(TARE_KINDS),
        ]),
      ].map(([code, display]) => ({ code, display })),
    ),
    codeSystem(
      OURS.componentSystem,
      'Weighing components',
      'Components of a weight or height Observation for which LOINC has no code.',
      Object.values(QUALIFIER).flatMap(({ system, code, display }) => (system === OURS.componentSystem ? [{ code, display }] : [])),
    ),
    codeSystem(
      OURS.conditionSystem,
      'Weighing conditions',
      'What the number on a scale stands on besides the person: what was weighed along, and what makes it change fast. Senders say it; it is never guessed.',
      Object.entries(CONDITIONS).map(([code, { display }]) => ({ code, display })),
    ),
    codeSystem(
      OURS.derivedSystem,
      'Derived figures',
      'What this service computes from measurements, and lengths that a height is estimated from, as far as LOINC has no code that was found or says less.',
      derivedConcepts(),
    ),
    codeSystem(OURS.tagSystem, 'Handling', 'Tags in meta.tag that say how this service handles a reading.', [
      { code: HELD_TAG.code, display: HELD_TAG.display },
      ...[COARSE_TAG, REPEAT_TAG, WEIGH_AGAIN_TAG, UNASSIGNED_TAG, IN_DOUBT_TAG, ESTIMATED_TAG, READ_FROM_EHR_TAG].map(
        ({ code, display }) => ({
          code,
          display,
        }),
      ),
    ]),
    codeSystem(
      OURS.auditEventSystem,
      'Audit events',
      'What an AuditEvent of this service speaks of, where FHIR and DICOM have no closer word. Stands in AuditEvent.subtype.',
      Object.entries(OWN_EVENTS).map(([code, { display }]) => ({ code, display })),
    ),
  ];
}

function derivedConcepts(): Concept[] {
  const growth = Object.values(GROWTH_CODES).flatMap((scores) => Object.values(scores));
  const figures = [
    ...Object.values(WEIGHT_CHANGE_CODES),
    ...Object.values(WEIGHT_CHANGE_ANSWERS),
    ...growth,
    PERCENT_OF_P95_CODE,
    ADJUSTED_WEIGHT_CODE,
    ...Object.values(HEIGHT_ESTIMATES).map(({ input }) => input),
  ];
  return figures.map(({ code, display }) => ({ code, display }));
}

function codeSystem(url: string, title: string, description: string, concept: Concept[], property?: Property[]): fhir4.CodeSystem {
  return {
    ...header('CodeSystem', { id: idOf(url), title, description }),
    caseSensitive: true,
    content: 'complete',
    count: concept.length,
    ...(property && { property }),
    concept,
  };
}

function ruleConcept({ id, title, explain, family, outcome, source }: (typeof RULES)[number]): Concept {
  return {
    code: id,
    display: title,
    definition: explain,
    property: [
      { code: 'family', valueString: family },
      { code: 'outcome', valueString: outcome },
      { code: 'source', valueString: source },
    ],
  };
}

function errorConcept(code: ErrorCode): Concept {
  const { title, status } = ERRORS[code];
  return {
    code: ruleIdOf(code),
    display: title,
    definition: `The request was not served. Answered with HTTP status ${status}.`,
    property: [
      { code: 'family', valueString: 'transport' },
      { code: 'outcome', valueString: 'refuse' },
    ],
  };
}

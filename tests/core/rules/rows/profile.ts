/** Example rows of the rules about what the vital-signs profiles require. */
import { exactNumber } from '../../../../src/core/json.ts';
import { OURS } from '../../../../src/core/terminology.ts';
import { bmi, coded, height, measured, observation, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const LOINC = 'http://loinc.org';
const VITAL_SIGNS = { system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'vital-signs' };
const HTEST = { system: 'http://terminology.hl7.org/CodeSystem/v3-ActReason', code: 'HTEST' };
const CODE_NOT_SERVED =
  'No coding is one that this service knows as a body weight, body height or BMI. Send LOINC 29463-7, 8302-2 or a more specific one of /fhir/ValueSet/body-weight-codes or /fhir/ValueSet/body-height-codes.';
const MODIFIER =
  'A modifier extension could turn the meaning of the reading around, and this service knows none. Send the reading without it.';
const EFFECTIVE_TYPE =
  'The time is a Timing, an instant, or a Period whose start does not name a day. Send effectiveDateTime, or a Period with both ends.';
const TWICE = 'The vital-signs category or the code that the profile requires is there more than once. Send each of them once.';
const methodOf = (system: string, code: string) => ({ coding: [{ system, code }] });
const narrative = (inner: string) => ({ status: 'generated', div: `<div xmlns="http://www.w3.org/1999/xhtml">${inner}</div>` });

export const PROFILE_ROWS: Readonly<Record<string, RuleRows>> = {
  'category-missing': {
    as: { outcome: 'refuse', code: 'required', expression: 'Observation.category' },
    accepts: [
      {
        title: 'vital-signs beside another category',
        observation: weight('70.0', 'kg', { category: [{ text: 'ward' }, { coding: [VITAL_SIGNS] }] }),
      },
    ],
    rejects: [
      { title: 'another category only', category: [{ coding: [{ ...VITAL_SIGNS, code: 'exam' }] }] },
      {
        title: 'the code under another system',
        category: [{ coding: [{ system: 'https://harbourlight.example/c', code: 'vital-signs' }] }],
      },
      { title: 'no category', category: undefined },
    ].map(({ title, category }) => ({
      title,
      observation: weight('70.0', 'kg', { category }),
      message: `No category says vital-signs. Add a category coding with system ${VITAL_SIGNS.system} and code vital-signs.`,
    })),
  },
  'coding-repeated': {
    as: { outcome: 'refuse', code: 'structure', expression: 'Observation.category' },
    accepts: [
      {
        title: 'another category beside it',
        observation: weight('70.0', 'kg', { category: [{ coding: [VITAL_SIGNS] }, { coding: [{ ...VITAL_SIGNS, code: 'exam' }] }] }),
      },
    ],
    rejects: [
      {
        title: 'the category twice',
        observation: weight('70.0', 'kg', { category: [{ coding: [VITAL_SIGNS] }, { coding: [VITAL_SIGNS] }] }),
        message: TWICE,
      },
      {
        title: 'the code twice',
        observation: weight('70.0', 'kg', {
          code: {
            coding: [
              { system: LOINC, code: '29463-7' },
              { system: LOINC, code: '29463-7', display: 'Body weight' },
            ],
          },
        }),
        message: TWICE,
        expression: 'Observation.code.coding',
      },
    ],
  },
  'code-not-served': {
    as: { outcome: 'refuse', code: 'code-invalid', expression: 'Observation.code' },
    accepts: [
      { title: 'the weight code', observation: weight() },
      { title: 'a more specific code', observation: observation('3141-9', '70.0', 'kg') },
      {
        title: 'an IEEE code that a device gateway sends',
        observation: weight('70.0', 'kg', { code: { coding: [{ system: 'urn:iso:std:iso:11073:10101', code: '188736' }] } }),
      },
    ],
    rejects: [
      { title: 'a code for a head circumference', observation: observation('9843-4', '35.0', 'cm'), message: CODE_NOT_SERVED },
      {
        title: 'the right number under a wrong system',
        observation: weight('70.0', 'kg', { code: { coding: [{ system: 'http://loinc.org/', code: '29463-7' }] } }),
        message: CODE_NOT_SERVED,
      },
      { title: 'only a text', observation: weight('70.0', 'kg', { code: { text: 'Body weight' } }), message: CODE_NOT_SERVED },
    ],
  },
  'codes-conflict': {
    as: { outcome: 'refuse', code: 'code-invalid', expression: 'Observation.code' },
    accepts: [
      { title: 'two codes of one measure', observation: weight('70.0', 'kg', { code: { coding: [...codings('29463-7', '3141-9')] } }) },
    ],
    rejects: [
      {
        title: 'a weight code beside a height code',
        observation: weight('70.0', 'kg', { code: { coding: [...codings('29463-7', '8302-2')] } }),
        message:
          'The codings contradict each other: two measures, measured and stated, lying and standing, or with and without clothes. Send one Observation for each.',
      },
      ...[
        ['measured and stated', '3141-9', '3142-7'],
        ['with and without clothes', '8350-1', '8351-9'],
      ].map(([title = '', ...codes]) => ({
        title,
        observation: weight('70.0', 'kg', { code: { coding: [...codings('29463-7', ...codes)] } }),
        message:
          'The codings contradict each other: two measures, measured and stated, lying and standing, or with and without clothes. Send one Observation for each.',
      })),
      {
        title: 'lying and standing',
        observation: height('170.0', 'cm', { code: { coding: [...codings('8302-2', '8306-3', '8308-9')] } }),
        message:
          'The codings contradict each other: two measures, measured and stated, lying and standing, or with and without clothes. Send one Observation for each.',
      },
      {
        title: 'the same with displays',
        observation: weight('70.0', 'kg', {
          code: {
            coding: [
              { system: LOINC, code: '29463-7', display: 'Body weight' },
              { system: LOINC, code: '8302-2', display: 'Body height' },
            ],
          },
        }),
        message:
          'The codings contradict each other: two measures, measured and stated, lying and standing, or with and without clothes. Send one Observation for each.',
      },
    ],
  },
  'display-contradicts-code': {
    as: { outcome: 'hold', code: 'code-invalid', expression: 'Observation.code.coding' },
    accepts: [
      { title: 'the right display', observation: weight('70.0', 'kg', { code: coded('29463-7', 'Body weight') }) },
      { title: 'a display in words of the ward', observation: weight('70.0', 'kg', { code: coded('29463-7', 'Morning weight') }) },
      {
        title: 'the display of another code of the same measure',
        observation: weight('70.0', 'kg', { code: coded('29463-7', 'Body weight Measured') }),
      },
    ],
    rejects: [
      {
        title: 'a weight that is displayed as a height',
        observation: weight('70.0', 'kg', { code: coded('29463-7', ' body HEIGHT ') }),
        message:
          'A code for weight is displayed as Body height, so one of the two is wrong. Weigh or measure again, or send the right code.',
      },
    ],
  },
  'status-not-usable': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.status' },
    accepts: ['preliminary', 'final', 'amended', 'corrected'].map((status) => ({
      title: status,
      observation: weight('70.0', 'kg', { status }),
    })),
    rejects: ['registered', 'unknown'].map((status) => ({
      title: status,
      observation: weight('70.0', 'kg', { status }),
      message: `The status ${status} says that there is no result yet, or that nobody knows. Send the reading when it is preliminary or final.`,
    })),
  },
  'cancelled-with-value': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.status' },
    accepts: [
      {
        title: 'cancelled with a reason',
        observation: weight('70.0', 'kg', {
          status: 'cancelled',
          valueQuantity: undefined,
          dataAbsentReason: { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'not-performed' }] },
        }),
      },
      { title: 'final with a value', observation: weight() },
    ],
    rejects: [
      {
        title: 'cancelled, and 70.0 kg',
        observation: weight('70.0', 'kg', { status: 'cancelled' }),
        message:
          'The status says that the measurement was not completed, but there is a value. Send the reason in dataAbsentReason instead of the value, or the right status.',
      },
    ],
  },
  'method-not-understood': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.method' },
    accepts: [
      { title: 'no method', observation: weight() },
      { title: 'a method of ours', observation: weight('70.0', 'kg', { method: methodOf(OURS.methodSystem, 'bed-scale') }) },
      { title: 'estimated', observation: weight('70.0', 'kg', { method: methodOf('http://snomed.info/sct', '414135002') }) },
    ],
    rejects: [methodOf('https://harbourlight.example/how', 'by-eye'), { text: 'estimated by eye' }].map((method) => ({
      title: 'text' in method ? 'a text' : 'a code of somebody else',
      observation: weight('70.0', 'kg', { method }),
      message:
        'The method has no code that is known here, so it counts neither as an estimate nor as a way of weighing. Send a code of the list at /fhir/ValueSet/weighing-methods, or a LOINC code that says stated or estimated.',
    })),
  },
  'effective-missing': {
    as: { outcome: 'refuse', code: 'required', expression: 'Observation.effective' },
    accepts: [
      {
        title: 'a period',
        observation: weight('70.0', 'kg', { effectiveDateTime: undefined, effectivePeriod: { start: '2026-03-02T08:00:00Z' } }),
      },
    ],
    rejects: [
      {
        title: 'no time at all',
        observation: weight('70.0', 'kg', { effectiveDateTime: undefined }),
        message: 'It does not say when the person was measured. Send effectiveDateTime with date, time and offset.',
      },
    ],
  },
  'effective-type': {
    as: { outcome: 'refuse', code: 'structure', expression: 'Observation.effective' },
    accepts: [
      {
        title: 'a period with both ends',
        observation: weight('70.0', 'kg', {
          effectiveDateTime: undefined,
          effectivePeriod: { start: '2026-03-02T08:00:00Z', end: '2026-03-02T08:01:00Z' },
        }),
      },
    ],
    rejects: [
      { title: 'an instant', changes: { effectiveInstant: '2026-03-02T08:00:00Z' } },
      { title: 'a timing', changes: { effectiveTiming: { event: ['2026-03-02T08:00:00Z'] } } },
      { title: 'a period without a start', changes: { effectivePeriod: { end: '2026-03-02T08:00:00Z' } } },
    ].map(({ title, changes }) => ({
      title,
      observation: weight('70.0', 'kg', { effectiveDateTime: undefined, ...changes }),
      message: EFFECTIVE_TYPE,
    })),
  },
  'value-not-quantity': {
    as: { outcome: 'refuse', code: 'value', expression: 'Observation.value' },
    accepts: [
      {
        title: 'a reason instead of a value',
        observation: weight('70.0', 'kg', {
          valueQuantity: undefined,
          dataAbsentReason: { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'not-performed' }] },
        }),
      },
    ],
    rejects: [
      { title: 'a text', changes: { valueString: '70.0 kg' } },
      { title: 'a whole number', changes: { valueInteger: exactNumber('70') } },
    ].map(({ title, changes }) => ({
      title,
      observation: weight('70.0', 'kg', { valueQuantity: undefined, ...changes }),
      message: 'The value is given in another form than a Quantity. Send valueQuantity with value, unit, system and code.',
    })),
  },
  'quantity-incomplete': {
    as: { outcome: 'refuse', code: 'required', expression: 'Observation.value.ofType(Quantity)' },
    accepts: [{ title: 'all four parts', observation: height() }],
    rejects: [
      { parts: ['unit'], missing: 'unit' },
      { parts: ['value'], missing: 'value' },
      { parts: ['system', 'code'], missing: 'system, code' },
    ].map(({ parts, missing }) => ({
      title: `without ${missing}`,
      observation: weight('70.0', 'kg', {
        valueQuantity: Object.fromEntries(Object.entries(measured('70.0', 'kg')).filter(([part]) => !parts.includes(part))),
      }),
      message: `The Quantity has no ${missing}. Send value, unit, system and code together.`,
    })),
  },
  'modifier-extension': {
    as: { outcome: 'refuse', code: 'extension', expression: 'Observation.modifierExtension' },
    accepts: [
      {
        title: 'an ordinary extension',
        observation: weight('70.0', 'kg', { extension: [{ url: 'https://harbourlight.example/note', valueString: 'calm' }] }),
      },
    ],
    rejects: [
      {
        title: 'on the Observation',
        observation: weight('70.0', 'kg', { modifierExtension: [{ url: 'https://harbourlight.example/not', valueBoolean: true }] }),
        message: MODIFIER,
      },
      {
        title: 'on a reference range',
        observation: weight('70.0', 'kg', {
          referenceRange: [{ text: 'invented', modifierExtension: [{ url: 'https://harbourlight.example/not', valueBoolean: true }] }],
        }),
        message: MODIFIER,
        expression: 'Observation.referenceRange[0].modifierExtension',
      },
      {
        title: 'on a component',
        observation: weight('70.0', 'kg', {
          component: [
            { code: coded('8352-7'), valueCodeableConcept: coded('LA11871-3') },
            {
              code: coded('8361-8'),
              valueCodeableConcept: coded('LA11870-5'),
              modifierExtension: [{ url: 'https://harbourlight.example/not', valueBoolean: true }],
            },
          ],
        }),
        message: MODIFIER,
        expression: 'Observation.component[1].modifierExtension',
      },
    ],
  },
  'implicit-rules': {
    as: { outcome: 'refuse', code: 'not-supported', expression: 'Observation.implicitRules' },
    accepts: [{ title: 'none', observation: weight() }],
    rejects: [
      {
        title: 'rules of its own',
        observation: weight('70.0', 'kg', { implicitRules: 'https://harbourlight.example/rules' }),
        message: 'The resource says that it follows rules of its own, and this service knows none. Send the reading without implicitRules.',
      },
    ],
  },
  'test-data': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.meta.security' },
    accepts: [
      { title: 'another security label', observation: weight('70.0', 'kg', { meta: { security: [{ ...HTEST, code: 'TREAT' }] } }) },
      {
        title: 'the same letters of another system',
        observation: weight('70.0', 'kg', { meta: { security: [{ system: 'https://x.example', code: 'HTEST' }] } }),
      },
    ],
    rejects: [
      {
        title: 'the label HTEST',
        observation: weight('70.0', 'kg', { meta: { security: [HTEST] } }),
        message: 'The label HTEST says that this is a test, and a test must not reach a chart. Use $validate or $assess for tests.',
      },
    ],
  },
  'narrative-active': {
    as: { outcome: 'refuse', code: 'invariant', expression: 'Observation.text.`div`' },
    accepts: [{ title: 'plain formatting', observation: weight('70.0', 'kg', { text: narrative('<p>Weight <b>70.0</b> kg</p>') }) }],
    rejects: ['<a href="javascript:void(0)">x</a>', '<a href="data:text/html,x">x</a>'].map((inner) => ({
      title: inner,
      observation: weight('70.0', 'kg', { text: narrative(inner) }),
      message: 'The narrative holds more than basic formatting, such as a script or a form. Send plain text formatting, or no narrative.',
    })),
  },
  'parent-code-added': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.code.coding' },
    accepts: [
      { title: 'the required code was sent', observation: weight() },
      {
        title: 'the required code was sent beside another',
        observation: weight('70.0', 'kg', { code: { coding: [...codings('3141-9', '29463-7')] } }),
      },
    ],
    rejects: [
      {
        title: 'a measured weight',
        observation: observation('3141-9', '70.0', 'kg'),
        message: 'The required code 29463-7 was not sent and was added beside what was sent. Send it yourself for other receivers.',
      },
      {
        title: 'a height lying',
        observation: observation('8306-3', '170.0', 'cm'),
        message: 'The required code 8302-2 was not sent and was added beside what was sent. Send it yourself for other receivers.',
      },
      {
        title: 'an IEEE code for a BMI',
        observation: bmi('24.2', { code: { coding: [{ system: 'urn:iso:std:iso:11073:10101', code: '188752' }] } }),
        message: 'The required code 39156-5 was not sent and was added beside what was sent. Send it yourself for other receivers.',
        also: { 'bmi-nothing-to-compare': 'no weight is on file, which has nothing to do with the code' },
      },
    ],
  },
};

function codings(...codes: readonly string[]): { readonly system: string; readonly code: string }[] {
  return codes.map((code) => ({ system: LOINC, code }));
}

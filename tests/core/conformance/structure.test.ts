import { readFileSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { checkStructure, isServedType } from '../../../src/core/conformance/structure.ts';
import { sharedData } from '../../shared-data.ts';
import { damaged, WEIGHT, type Damage } from './readings.ts';

const brief = (resource: unknown): string[] =>
  checkStructure('Observation', resource).map(({ kind, expression }) => `${kind} ${expression}`);
const component = (content: unknown): Damage => ({ component: [WEIGHT.component?.[0], content] });

describe('what the published schema and its peers let through is refused', () => {
  const cases: readonly [title: string, damage: Damage, fault: string][] = [
    ['status missing', { status: undefined }, 'required Observation.status'],
    ['status code unknown', { status: 'done' }, 'code-invalid Observation.status'],
    ['status a number', { status: 7 }, 'structure Observation.status'],
    ['code missing', { code: undefined }, 'required Observation.code'],
    ['unknown property', { weight: 70 }, 'structure Observation.weight'],
    ['unknown nested property', { subject: { ref: 'Patient/1' } }, 'structure Observation.subject.ref'],
    ['value as text', { valueQuantity: { value: '70.5' } }, 'structure Observation.value.ofType(Quantity).value'],
    ['category not a list', { category: { text: 'vital signs' } }, 'structure Observation.category'],
    ['two values', { valueString: '70.5 kg' }, 'structure Observation.value'],
    [
      'a value and an extension on another type of value',
      { _valueString: { extension: [{ url: 'urn:x' }] } },
      'structure Observation.value',
    ],
    ['two times', { effectivePeriod: { start: '2026-03-02' } }, 'structure Observation.effective'],
    [
      'two values in a component',
      component({ code: { text: 'tare' }, valueInteger: 3, valueBoolean: true }),
      'structure Observation.component[1].value',
    ],
    ['empty list', { category: [] }, 'structure Observation.category'],
    ['null', { encounter: null }, 'structure Observation.encounter'],
    ['empty object', { encounter: {} }, 'structure Observation.encounter'],
    ['an element with nothing but an id', { encounter: { id: 'a' } }, 'structure Observation.encounter'],
    ['empty component, once', component({}), 'structure Observation.component[1]'],
    ['null in a list', component(null), 'structure Observation.component[1]'],
    ['fraction as an integer', { valueQuantity: undefined, valueInteger: 1.5 }, 'structure Observation.value.ofType(integer)'],
    ['integer beyond 32 bits', { valueQuantity: undefined, valueInteger: 2147483648 }, 'value Observation.value.ofType(integer)'],
    ['blank-edged code', { valueQuantity: { value: 70.5, code: 'kg ' } }, 'value Observation.value.ofType(Quantity).code'],
    ['empty text', { code: { text: '' } }, 'value Observation.code.text'],
    ['empty URI', { implicitRules: '' }, 'value Observation.implicitRules'],
    ['bad id', { id: 'a_b' }, 'value Observation.id'],
    ['narrative that is no text', { text: { status: 'generated', div: 5 } }, 'structure Observation.text.`div`'],
    ['narrative without status', { text: { div: '<div>Weight</div>' } }, 'required Observation.text.status'],
    ['extension without url', { extension: [{ valueString: 'x' }] }, 'required Observation.extension[0].url'],
    ['fault in the extension of a primitive', { _status: { extension: [] } }, 'structure Observation.status.extension'],
    [
      'two values in an extension',
      { extension: [{ url: 'urn:x', valueCode: 'a', valueUri: 'b' }] },
      'structure Observation.extension[0].value',
    ],
  ];
  it.each(cases)('%s', (_title, damage, fault) => {
    expect(brief(damaged(damage))).toEqual([fault]);
  });
});

describe('times', () => {
  const at = (effectiveDateTime: string) => checkStructure('Observation', damaged({ effectiveDateTime }));
  it.each(['2026', '2026-03', '2024-02-29', '2000-02-29', '2026-03-02T23:59:60Z', '2026-03-02T07:30:00.123456-14:00', '0004-02-29'])(
    'takes %s',
    (text) => expect(at(text)).toEqual([]),
  );
  it.each([
    ['2021-02-31', /calendar/],
    ['2026-04-31T10:00:00Z', /calendar/],
    ['2023-02-29', /calendar/],
    ['1900-02-29', /calendar/],
    ['2026-03-02T24:00:00Z', /seconds and offset/],
    ['2026-03-02T07:30Z', /seconds and offset/],
    ['2026-03-02T07:30:00+14:30', /-14:00 and \+14:00/],
    ['2026-03-02T07:30:00+15:00', /-14:00 and \+14:00/],
    ['02.03.2026', /date and time/],
    ['', /date and time/],
    ['0000-01-01', /calendar/],
  ])('refuses "%s"', (text, problem) => {
    const [fault, ...others] = at(text);
    expect(others).toEqual([]);
    expect(fault).toMatchObject({ kind: 'value', expression: 'Observation.effective.ofType(dateTime)' });
    expect(fault?.problem).toMatch(problem);
    expect(fault?.missingOffset).toBeUndefined();
  });
  it.each(['2026-03-02T07:30:00', '2026-03-02T07:30:00.5', '2026-03-02T07:30'])('says of %s that the offset is missing', (text) => {
    expect(at(text)).toMatchObject([{ kind: 'value', missingOffset: true }]);
  });
});

describe('reporting', () => {
  it('has nothing to say about a reading that conforms', () => {
    expect(checkStructure('Observation', damaged({}))).toEqual([]);
  });
  it('names every fault once', () => {
    const faults = brief(
      damaged({ status: 'done', code: undefined, category: [], component: [{ code: {}, valueQuantity: { value: null } }] }),
    );
    expect(faults.sort()).toEqual([
      'code-invalid Observation.status',
      'required Observation.code',
      'structure Observation.category',
      'structure Observation.component[0].code',
      'structure Observation.component[0].value.ofType(Quantity).value',
    ]);
  });
  it('stops at the wrong resource type, since everything else would follow from it', () => {
    expect(brief(damaged({ resourceType: 'Patient' }))).toEqual(['structure Observation.resourceType']);
    expect(brief(damaged({ resourceType: undefined }))).toEqual(['structure Observation.resourceType']);
    expect(brief([])).toEqual(['structure Observation']);
    expect(brief(null)).toEqual(['structure Observation']);
  });
  it('repeats nothing that was sent, not even an odd property name', () => {
    const faults = checkStructure(
      'Observation',
      damaged({ 'Ada Harbour 1931': 1, status: 'Ada', effectiveDateTime: 'Ada', id: 'Ada Harbour' }),
    );
    expect(faults).toHaveLength(4);
    expect(JSON.stringify(faults)).not.toContain('Ada');
  });
  it('does not answer a megabyte of rubbish with ten', () => {
    const rubbish = Object.fromEntries(Array.from({ length: 5000 }, (_, index) => [`x${index}`, 1]));
    const faults = checkStructure('Observation', damaged(rubbish));
    expect(faults).toHaveLength(101);
    expect(faults.at(-1)?.problem).toContain('4900 more');
  });
  it('is not misled by names of JavaScript', () => {
    expect(brief(JSON.parse(JSON.stringify(WEIGHT).replace('{', '{"constructor":1,"toString":2,')))).toEqual([
      'structure Observation.constructor',
      'structure Observation.toString',
    ]);
  });
});

describe('resources within resources', () => {
  it('checks a contained resource by its own type', () => {
    const contained = [{ resourceType: 'Device', id: 'd', property: [{ type: { text: 'x' }, valueQuantity: {} }], ward: 3 }];
    expect(brief(damaged({ contained }))).toEqual([
      'structure Observation.contained[0].ward',
      'structure Observation.contained[0].property[0].valueQuantity',
    ]);
  });
  it('checks a contained resource of a type that is not served for what JSON of FHIR never allows', () => {
    const contained = [{ resourceType: 'Practitioner', name: [{ given: ['A', null] }], address: [], photo: { title: null } }];
    expect(brief(damaged({ contained }))).toEqual([
      'structure Observation.contained[0].address',
      'structure Observation.contained[0].photo.title',
    ]);
  });
  it('leaves the entries of a Bundle to their own types', () => {
    const bundle = {
      resourceType: 'Bundle',
      type: 'batch',
      entry: [{ resource: { resourceType: 'Observation', nonsense: 1 } }, { resource: 5 }],
    };
    expect(checkStructure('Bundle', bundle)).toMatchObject([{ expression: 'Bundle.entry[1].resource' }]);
  });
  it('knows a gap in a list of primitives from a null', () => {
    const name = (given: unknown, _given: unknown) => ({ resourceType: 'Patient', name: [{ given, _given }] });
    expect(checkStructure('Patient', name(['Ada', null], [null, { extension: [{ url: 'urn:x', valueCode: 'unknown' }] }]))).toEqual([]);
    expect(checkStructure('Patient', name(['Ada', null], [null, null]))).toMatchObject([{ expression: 'Patient.name[0].given' }]);
    expect(checkStructure('Patient', damaged({ name: [{ given: ['Ada', null] }] }, { resourceType: 'Patient' }))).toHaveLength(1);
  });
});

describe('long texts', () => {
  const length = 50_000;
  const texts = {
    'words of a code, then a blank': `${'ab '.repeat(length / 3)} `,
    'one long word, then a blank': `${'a'.repeat(length)} `,
    blanks: ' '.repeat(length),
    'base64 between blanks': `${'AAAA   '.repeat(length / 7)}!`,
    'digits of a second': `2026-03-02T07:30:00.${'1'.repeat(length)}`,
    'an OID that ends badly': `urn:oid:1${'.10'.repeat(length / 3)}.`,
  };
  it.each(Object.entries(texts))('%s: judged at once', (_title, text) => {
    const resource = {
      ...WEIGHT,
      effectiveDateTime: text,
      id: text,
      code: { text, coding: [{ code: text, system: text }] },
      extension: ['Base64Binary', 'Oid', 'Uuid', 'Instant', 'Date', 'Time', 'Markdown', 'Canonical'].map((type) => ({
        url: 'urn:x',
        [`value${type}`]: text,
      })),
    };
    const started = performance.now();
    expect(checkStructure('Observation', resource).length).toBeGreaterThan(4);
    expect(performance.now() - started).toBeLessThan(250);
  });
});

const EXAMPLES = sharedData('standards/fhir-r4-4.0.1/examples');
describe.skipIf(EXAMPLES === undefined)('official R4 examples, when they are at hand', () => {
  const resources =
    EXAMPLES === undefined
      ? []
      : readdirSync(EXAMPLES).map((name) => ({
          name,
          content: JSON.parse(readFileSync(join(EXAMPLES, name), 'utf8')) as { resourceType: string },
        }));
  const served = resources.filter(({ content }) => isServedType(content.resourceType));
  it('are more than twenty', () => expect(served.length).toBeGreaterThan(20));
  it.each(served)('$name passes', ({ content }) => {
    expect(isServedType(content.resourceType) && checkStructure(content.resourceType, content)).toEqual([]);
  });
});

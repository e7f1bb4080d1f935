/** Whatever is done to a reading, judging it never throws and always says why. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { conformObservation } from '../../src/core/conform.ts';
import { evaluate } from '../../src/core/evaluate.ts';
import { explainFinding, toOperationOutcome, verdictOf, type Finding } from '../../src/core/finding.ts';
import { exactNumber, isJsonObject, parseExactJson, stringifyExact, type JsonObject, type JsonValue } from '../../src/core/json.ts';
import type { Context } from '../../src/core/reading.ts';
import { LOINC_CODES, OURS, QUALIFIER } from '../../src/core/terminology.ts';
import { decimal } from '../../src/core/decimal.ts';
import { bmi, context, deepFreeze, height, measured, observation, reading, treeOf, weight, type Changes } from '../measurements.ts';

const RICH: Changes = {
  identifier: [{ system: 'urn:r', value: '1' }],
  meta: { profile: ['http://hl7.org/fhir/StructureDefinition/bodyweight'], tag: [{ system: 'urn:t', code: 'x' }] },
  device: { reference: 'Device/s1' },
  method: { coding: [{ system: OURS.methodSystem, code: 'wheelchair-platform' }] },
  component: [
    { code: { coding: [{ ...QUALIFIER.gross }] }, valueQuantity: measured('92.5', 'kg') },
    { code: { coding: [{ ...QUALIFIER.tare }] }, valueQuantity: measured('12.5', 'kg') },
    {
      code: { coding: [{ ...QUALIFIER.clothing }] },
      valueCodeableConcept: { coding: [{ system: 'http://loinc.org', code: 'LA11871-3' }] },
    },
  ],
  extension: [{ url: OURS.statusAsSentExtension, valueCode: 'final' }],
  note: [{ text: 'Harbourlight Ward (invented)' }],
};

const start = fc.constantFrom(
  weight('80.0', 'kg', RICH),
  height('160.0', 'cm', { device: { display: 'wall' } }),
  bmi('31.3', { derivedFrom: [{ reference: 'Observation/w1' }] }),
  weight('154.25', '[lb_av]', {
    effectiveDateTime: undefined,
    effectivePeriod: { start: '2026-03-02T08:00:00Z', end: '2026-03-02T08:01:00Z' },
  }),
  weight('1', 'kg', { valueQuantity: undefined, dataAbsentReason: { text: 'asleep' } }),
);

const piece: fc.Arbitrary<JsonValue> = fc.oneof(
  fc.constantFrom<JsonValue>(
    null,
    true,
    '',
    'kg',
    'KG',
    'cm',
    'kg/m2',
    '[in_i]',
    'final',
    'preliminary',
    'entered-in-error',
    'cancelled',
    '2026',
    '2026-03-02',
  ),
  fc.constantFrom<JsonValue>(
    '0001-01-01',
    '9999-12-31T23:59:60+14:00',
    '2026-03-02T08:00:00',
    'Patient/ada',
    'Group/g',
    '#x',
    'urn:uuid:x',
    'http://loinc.org',
    '29463-7',
    '8302-2',
  ),
  fc.constantFrom(...LOINC_CODES.map(({ code }): JsonValue => code)),
  fc
    .constantFrom('0', '-0.0', '-70.0', '70.33', '1e30', '1e-30', '9'.repeat(40), '0.0000001', '300.0', '650.0')
    .map((text): JsonValue => exactNumber(text.includes('e') ? decimalText(text) : text)),
  fc.constantFrom<JsonValue>(
    {},
    [],
    [{}],
    { coding: [] },
    { reference: 'Patient/bo' },
    measured('70.0', 'kg'),
    'toString',
    '__proto__x',
    'constructor',
  ),
  fc.string(),
);

function decimalText(text: string): string {
  const { coefficient, scale } = decimal(text);
  return scale === 0 ? String(coefficient) : `0.${String(coefficient).padStart(scale, '0')}`;
}

interface Blow {
  readonly where: number;
  readonly how: 'replace' | 'remove' | 'double' | 'add';
  readonly by: JsonValue;
  readonly name: string;
}
const blow: fc.Arbitrary<Blow> = fc.record({
  where: fc.nat(),
  how: fc.constantFrom('replace' as const, 'replace' as const, 'remove' as const, 'double' as const, 'add' as const),
  by: piece,
  name: fc.constantFrom(
    'value',
    'valueString',
    'code',
    'system',
    'unit',
    'comparator',
    'status',
    'subject',
    'effectiveInstant',
    'modifierExtension',
    'implicitRules',
    'id',
    'text',
    'display',
    'constructor',
  ),
});

type Place =
  | { readonly in: 'list'; readonly of: JsonValue[]; readonly key: number }
  | { readonly in: 'object'; readonly of: JsonObject; readonly key: string };

function placesIn(value: JsonValue): Place[] {
  if (Array.isArray(value)) return value.flatMap((item, key): Place[] => [{ in: 'list', of: value, key }, ...placesIn(item)]);
  if (!isJsonObject(value)) return [];
  return Object.entries(value).flatMap(([key, item]): Place[] => [{ in: 'object', of: value, key }, ...placesIn(item)]);
}

/** A copy with one place damaged; places are counted through the whole tree. */
function damaged(tree: JsonValue, { where, how, by, name }: Blow): JsonValue {
  const copy = parsedAgain(tree);
  const places = placesIn(copy);
  const place = places[where % Math.max(places.length, 1)];
  if (place === undefined) return by;
  if (place.in === 'list') {
    const put = { replace: [by], remove: [], double: [place.of[place.key] ?? null, place.of[place.key] ?? null], add: [by] }[how];
    place.of.splice(place.key, 1, ...put);
  } else if (how === 'add') place.of[name] = by;
  else if (how === 'remove') Reflect.deleteProperty(place.of, place.key);
  else place.of[place.key] = by;
  return copy;
}

function parsedAgain(tree: JsonValue): JsonValue {
  const result = parseExactJson(stringifyExact(tree));
  if (!result.ok) throw new Error(result.problem.reason);
  return result.value;
}

const HISTORY = [
  reading(height('160.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }), 'h1'),
  reading(weight('80.0', 'kg', { effectiveDateTime: '2026-03-02T08:00:00Z' }), 'w1'),
  reading(observation('3142-7', '79', 'kg', { effectiveDateTime: '2026-02-20' }), 'w0'),
];
const around: fc.Arbitrary<Partial<Context>> = fc.constantFrom<Partial<Context>>(
  {},
  { history: HISTORY },
  {
    history: HISTORY,
    standing: [
      {
        id: 'bmi-w1',
        version: 1,
        status: 'final',
        weightId: 'w1',
        heightId: 'h1',
        valueText: '31.3',
        effectiveText: '2026-03-02T08:00:00Z',
      },
    ],
  },
  { person: { key: '', known: false } },
  { person: { key: 'Patient/ada', known: true, birthDate: '2026-02' } },
  {
    device: {
      key: 'Device/s1',
      known: true,
      division: { value: decimal('0.5'), unit: 'kg' },
      capacity: { value: decimal('100'), unit: 'kg' },
      defaultMethod: 'sling-lift',
      status: 'inactive',
    },
  },
  { version: 2, replaces: { status: 'preliminary', held: true, version: 1, person: 'Patient/ada', of: 'weight' } },
);

function expectTold(verdict: string, findings: readonly Finding[]): void {
  expect(verdict).toBe(verdictOf(findings));
  for (const found of findings) expect(explainFinding(found)).not.toMatch(/\{\w+\}|undefined/);
  expect(toOperationOutcome(findings).issue.length).toBeGreaterThan(0);
}

const judge = (tree: JsonValue, changes: Partial<Context>): 'refused before' | 'judged' => {
  const conformed = conformObservation(tree);
  if (!conformed.ok) {
    expectTold('refused', conformed.findings);
    return 'refused before';
  }
  const evaluation = evaluate(deepFreeze(conformed.resource), deepFreeze(context(changes)));
  expectTold(evaluation.verdict, evaluation.findings);
  expect(evaluation.stored === undefined || evaluation.verdict !== 'refused').toBe(true);
  return 'judged';
};

describe('a damaged reading', () => {
  it('is refused, held or accepted, with a sentence for each finding, and never breaks the judgement', () => {
    let judgedAtAll = 0;
    fc.assert(
      fc.property(start, fc.array(blow, { minLength: 1, maxLength: 4 }), around, (of, blows, changes) => {
        const tree = blows.reduce<JsonValue>(damaged, treeOf(of));
        if (judge(tree, changes) === 'judged') judgedAtAll += 1;
      }),
      { numRuns: 4000 },
    );
    expect(judgedAtAll).toBeGreaterThan(200);
  });

  it('what is stored of it still conforms to FHIR', () => {
    fc.assert(
      fc.property(start, fc.array(blow, { maxLength: 2 }), around, (of, blows, changes) => {
        const conformed = conformObservation(blows.reduce<JsonValue>(damaged, treeOf(of)));
        if (!conformed.ok) return;
        const { stored, derived } = evaluate(conformed.resource, context(changes));
        for (const { observation: one } of [...(stored ? [stored] : []), ...derived]) {
          const again = conformObservation(parsedAgain(treeOf(one)));
          expect(again.ok ? [] : again.findings.map(explainFinding)).toEqual([]);
        }
      }),
      { numRuns: 1000 },
    );
  });
});

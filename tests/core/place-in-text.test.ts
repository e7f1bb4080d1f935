/** Expressions are FHIRPath 2.0.0 as R4 findings carry them; places were counted by hand, or are looked up in the text itself. */
import { describe, expect, it } from 'vitest';
import { placeInText, placesIn } from '../../src/core/place-in-text.ts';
import { parseExactJson } from '../../src/core/json.ts';

const OBSERVATION = `{
  "resourceType": "Observation",
  "status": "final",
  "code": { "coding": [{ "code": "29463-7" }, { "code": "3141-9" }] },
  "effectiveDateTime": "2026-03-02T08:00:00Z",
  "_effectiveDateTime": { "extension": [{ "url": "https://a.example", "valueCode": "a" }] },
  "valueQuantity": { "value": 20.09414, "unit": "kg" },
  "extension": [{ "url": "https://one.example", "valueString": "1" }, { "url": "https://two.example", "valueString": "2" }],
  "component": [
    { "code": { "text": "gross" }, "valueQuantity": { "value": 80.0 } },
    { "code": { "text": "tare" }, "valueQuantity": { "value": 14.3 } }
  ]
}`;
const BUNDLE = `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient"}},\n{"resource":${OBSERVATION}}]}`;

const spelt = (text: string, expression: string) => {
  const { offset, length, isElement } = placeInText(text, expression);
  return [text.slice(offset, offset + length).replaceAll(/\s+/g, ' '), isElement];
};

describe('the place of an element', () => {
  it.each([
    ['Observation.value.ofType(Quantity).value', '20.09414'],
    ['Observation.valueQuantity.value', '20.09414'],
    ['valueQuantity.value', '20.09414'],
    ['(Observation).value', undefined],
    ['Observation.value.ofType(FHIR.Quantity).value', '20.09414'],
    ['Observation.value.as(Quantity).unit', '"kg"'],
    ['Observation.value.value', '20.09414'],
    ['Observation.status', '"final"'],
    ['Observation.effective', '"2026-03-02T08:00:00Z"'],
    ['Observation.effective.ofType(dateTime)', '"2026-03-02T08:00:00Z"'],
    ["Observation.effective.extension('https://a.example').value", '"a"'],
    ['Observation.effectiveDateTime.extension[0].value.ofType(code)', '"a"'],
    ['component[1].code', '{ "text": "tare" }'],
    ['Observation.component[1].value.ofType(Quantity).value', '14.3'],
    ['Observation.component.last().code.text', '"tare"'],
    ['Observation.component.first().code.text', '"gross"'],
    ['Observation.component.value.value', '80.0'],
    ['Observation.code.coding[1].code', '"3141-9"'],
    ['Observation.code.coding.code', '"29463-7"'],
    ["Observation.extension.where(url='https://two.example').value", '"2"'],
    ["Observation.extension('https://two.example').valueString", '"2"'],
    ['Observation.`status`', '"final"'],
  ])('%s is %s', (expression, text) => {
    if (text === undefined) expect(placeInText(OBSERVATION, expression).isElement).toBe(false);
    else expect(spelt(OBSERVATION, expression)).toEqual([text, true]);
  });

  it.each([
    ['Bundle.entry[1].resource.value.ofType(Quantity).value', '20.09414'],
    ['Bundle.entry[1].resource.ofType(Observation).status', '"final"'],
    ['Bundle.entry[0].resource', '{"resourceType":"Patient"}'],
    ['entry[0].resource.resourceType', '"Patient"'],
  ])('in a Bundle: %s', (expression, text) => {
    expect(spelt(BUNDLE, expression)).toEqual([text, true]);
  });

  it('counts lines and columns from 1, and ends behind its last character', () => {
    expect(placeInText(OBSERVATION, 'Observation.value.ofType(Quantity).value')).toEqual({
      ...{ line: 7, column: 31, endLine: 7, endColumn: 39, length: 8, isElement: true },
      offset: OBSERVATION.indexOf('20.09414'),
    });
    expect(placeInText(OBSERVATION, 'Observation')).toMatchObject({ line: 1, column: 1, endLine: 13, endColumn: 2 });
  });
});

describe('an element that is not there', () => {
  it.each([
    ['Observation.device', undefined],
    ['Observation.device.identifier[2].value', undefined],
    ['Observation.code.text', '{ "coding": [{ "code": "29463-7" }, { "code": "3141-9" }] }'],
    ['Observation.code.coding[2].display', '[{ "code": "29463-7" }, { "code": "3141-9" }]'],
    ['Observation.component[1].value.ofType(Quantity).code', '{ "value": 14.3 }'],
    ['Observation.value.ofType(string)', '{ "value": 20.09414, "unit": "kg" }'],
    ['Observation.value.comparator.toString()', '{ "value": 20.09414, "unit": "kg" }'],
    [
      "Observation.extension('https://three.example')",
      '[{ "url": "https://one.example", "valueString": "1" }, { "url": "https://two.example", "valueString": "2" }]',
    ],
    ['Observation.code.coding.where(display.exists())', '[{ "code": "29463-7" }, { "code": "3141-9" }]'],
    ['http.If-Match', undefined],
    ['http.body', undefined],
    ['%resource.status', undefined],
    ['', undefined],
  ])('%s gives the nearest one above it', (expression, text) => {
    const [found, isElement] = spelt(OBSERVATION, expression);
    expect(found).toBe(text ?? OBSERVATION.replaceAll(/\s+/g, ' '));
    expect(isElement).toBe(expression === '');
  });

  it('is not taken for another one whose name begins alike', () => {
    expect(spelt('{"referenceRange":[],"valueSet":1}', 'Observation.reference')[1]).toBe(false);
    expect(spelt('{"referenceRange":[],"valueSet":1}', 'Observation.value')[1]).toBe(false);
  });

  it('may be said to be absent, and is found where that is said', () => {
    expect(spelt('{"_birthDate":{"extension":[]}}', 'Patient.birthDate')).toEqual(['{"extension":[]}', true]);
  });
});

describe('what a text may hold', () => {
  it.each([
    ['a byte order mark, which takes no column', '\uFEFF{"status":"final"}', 1, 11, 11],
    ['CR LF', '{\r\n "a": 1,\r\n "status": "final"}', 3, 12, 24],
    ['CR alone', '{\r "a": 1,\r "status": "final"}', 3, 12, 22],
    ['both kinds of ending', '{\n "a": 1,\r\n\r\n "status": "final"}', 4, 12, 25],
    ['a tab, which takes one column', '{\t"status":\t"final"}', 1, 13, 12],
    ['a character outside the Basic Multilingual Plane, which takes two', '{"a":"😀","status":"final"}', 1, 20, 19],
    ['escapes in a name', '{"st\\u0061tus":"final"}', 1, 16, 15],
    ['escapes in a text before it', '{"a":"\\ud83d\\ude00\\n\\"","status":"final"}', 1, 34, 33],
    ['a line separator, which ends no line of JSON', '{"a":"\u2028","status":"final"}', 1, 19, 18],
  ])('%s', (_what, text, line, column, offset) => {
    const place = placeInText(text, 'Observation.status');
    expect(place).toMatchObject({ line, column, offset, isElement: true });
    expect(text.slice(place.offset, place.offset + place.length)).toBe('"final"');
  });

  it('points where the parser points', () => {
    const text = '{\r\n "a": "😀", "status": "\u0001"\r\n}';
    const parsed = parseExactJson(text);
    expect(parsed.ok).toBe(false);
    const { line, column } = placeInText(text, 'Observation.status');
    expect(parsed).toMatchObject({ problem: { line, column } });
  });

  it.each([
    ['nothing', ''],
    ['a byte order mark alone', '\uFEFF'],
    ['half an object', '{"status":'],
    ['something else', 'final'],
  ])('and is followed as far as it goes: %s', (_what, text) => {
    const place = placesIn(text)('Observation.status');
    expect(place).toMatchObject({ line: 1, column: 1, isElement: false });
    expect(place.offset + place.length).toBeLessThanOrEqual(text.length);
  });
});

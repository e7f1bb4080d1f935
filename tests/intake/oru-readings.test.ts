/**
 * ORU^R01 to Observations, as tables. Sources: HL7 v2-to-FHIR guide, segment maps PID, OBR and OBX
 * and ConceptMap "Table HL70085 to Observation Status"; the v2 mapping of R4's Observation for its
 * identifier; IEEE 11073-10101 for the MDC terms; HL7 Personal Health Device guide for EUI-64.
 */
import { describe, expect, test } from 'vitest';
import { stringifyExact } from '../../src/core/json.ts';
import { readingsIn, type OruRow } from '../../src/intake/oru-readings.ts';
import { parseMessage } from '../../src/intake/v2-message.ts';
import { HEIGHT, INVENTED_NUMBER, message, OBR, WEIGHT, type MessageParts } from './messages.ts';

const NAMESPACE = 'https://steelyard.example/fhir/identifier/v2-namespace';

function rows(
  parts: MessageParts,
  surroundings: { readonly zone?: string; readonly systems?: ReadonlyMap<string, string> } = {},
): OruRow[] {
  const parsed = parseMessage(message(parts), (bytes) => bytes.toString('latin1'));
  if (!parsed.ok) throw new Error(parsed.problem);
  return readingsIn(parsed.message, { systems: new Map(), ...surroundings });
}
/** The one reading of a message, as its JSON text parsed back: digits are looked at in the text. */
function observation(parts: MessageParts, surroundings = {}): Record<string, unknown> {
  const [row, another] = rows(parts, surroundings);
  if (row?.kind !== 'reading' || another) throw new Error(row?.kind === 'fault' ? row.fault.problem : 'not one reading');
  return JSON.parse(stringifyExact(row.observation)) as Record<string, unknown>;
}
function fault(parts: MessageParts, surroundings = {}): { readonly said: string; readonly code: string; readonly place: string } {
  const [row] = rows(parts, surroundings);
  if (row?.kind !== 'fault') throw new Error('no fault');
  const { segment, sequence, field } = row.fault.place ?? row.place;
  return { said: row.fault.problem, code: row.fault.condition.code, place: `${segment}-${sequence}-${field ?? ''}` };
}
/** WEIGHT with other fields of OBX. */
const weight = (fields: Readonly<Record<number, string>>): string => {
  const parts = WEIGHT.split('|');
  for (const [field, value] of Object.entries(fields)) parts[Number(field) - 2] = value;
  return Array.from(parts, (part) => part ?? '').join('|');
};

describe('an OBX', () => {
  test('becomes the Observation that its sender could have posted', () => {
    expect(observation({})).toEqual({
      resourceType: 'Observation',
      identifier: [{ system: 'urn:oid:2.999.5', value: 'R-1001^29463-7^1' }],
      status: 'final',
      category: [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'vital-signs' }] }],
      code: { coding: [{ system: 'http://loinc.org', code: '29463-7', display: 'Body weight' }] },
      subject: { identifier: { system: 'urn:oid:2.999.1', value: INVENTED_NUMBER } },
      effectiveDateTime: '2026-03-02T08:05:00+01:00',
      valueQuantity: { value: 70, unit: 'kg', system: 'http://unitsofmeasure.org', code: 'kg' },
      device: { identifier: { system: 'urn:oid:2.999.7', value: 'SCALE-1' } },
    });
  });

  test.each([
    ['70.0', '70.0'],
    ['70', '70'],
    ['70.00', '70.00'],
    ['+70.0', '70.0'],
    ['-70.0', '-70.0'],
    ['070.0', '70.0'],
    ['.5', '0.5'],
    ['0', '0'],
    ['8388607', '8388607'],
    ['99999999999999999999.123456789', '99999999999999999999.123456789'],
  ])('with %s in OBX-5 keeps its digits: %s', (written, kept) => {
    const [row] = rows({ obx: [weight({ 5: written })] });
    expect(row?.kind === 'reading' ? stringifyExact(row.observation) : '').toContain(`"value":${kept},`);
  });

  test.each([['seventy'], ['70,0'], ['70.'], ['7e1'], ['70.0 kg'], ['NaN'], ['--7'], ['.'], ['+']])(
    'with %s in OBX-5 is at fault',
    (written) => {
      expect(fault({ obx: [weight({ 5: written })] })).toMatchObject({ code: '102', place: 'OBX-1-5' });
    },
  );

  test.each([
    ['kg^kilogram^UCUM', 'kg'],
    ['kg', 'kg'],
    ['kg^^ISO+', 'kg'],
    ['[lb_av]^pound^UCUM', '[lb_av]'],
    ['263875^MDC_DIM_KILO_G^MDC', 'kg'],
    ['263872^MDC_DIM_X_G^MDC', 'g'],
    ['263904^MDC_DIM_LB^MDC', '[lb_av]'],
    ['263441^MDC_DIM_CENTI_M^MDC', 'cm'],
    ['263520^MDC_DIM_INCH^MDC', '[in_i]'],
    ['264096^MDC_DIM_KG_PER_M_SQ^MDC', 'kg/m2'],
    ['263875^MDC_DIM_KILO_G^MDC^kg^kilogram^UCUM', 'kg'],
    ['kg^kilogram^UCUM^263875^MDC_DIM_KILO_G^MDC', 'kg'],
    ['KILOS^^L^kg^^UCUM', 'kg'],
  ])('in %s is in %s', (written, code) => {
    expect(observation({ obx: [weight({ 6: written })] })['valueQuantity']).toMatchObject({ system: 'http://unitsofmeasure.org', code });
  });

  test.each([
    ['lb', { unit: 'lb', system: 'http://unitsofmeasure.org', code: 'lb' }],
    ['KG^^ISO+', { unit: 'KG', system: 'http://unitsofmeasure.org', code: 'KG' }],
    ['KILOS^kilos^L', { unit: 'kilos', code: 'KILOS' }],
    ['263876^MDC_X^MDC', { unit: 'MDC_X', system: 'urn:iso:std:iso:11073:10101', code: '263876' }],
    ['lbs^^UCUM', { unit: 'lbs', system: 'http://unitsofmeasure.org', code: 'lbs' }],
    ['', {}],
  ])('in %j is left to the rules as it was written', (written, unit) => {
    expect(observation({ obx: [weight({ 6: written })] })['valueQuantity']).toEqual({ value: 70, ...unit });
  });

  test('in two units that differ is at fault', () => {
    expect(fault({ obx: [weight({ 6: 'kg^^UCUM^263904^MDC_DIM_LB^MDC' })] })).toMatchObject({ code: '103', place: 'OBX-1-6' });
  });

  test.each([
    ['188736^MDC_MASS_BODY_ACTUAL^MDC', [{ system: 'urn:iso:std:iso:11073:10101', code: '188736', display: 'MDC_MASS_BODY_ACTUAL' }]],
    [
      '188740^MDC_LEN_BODY_ACTUAL^MDC^8302-2^Body height^LN',
      [
        { system: 'urn:iso:std:iso:11073:10101', code: '188740', display: 'MDC_LEN_BODY_ACTUAL' },
        { system: 'http://loinc.org', code: '8302-2', display: 'Body height' },
      ],
    ],
    ['WT^Weight^L', [{ code: 'WT', display: 'Weight' }]],
    ['29463-7^^LN', [{ system: 'http://loinc.org', code: '29463-7' }]],
  ])('of the code %s keeps it', (written, coding) => {
    expect(observation({ obx: [weight({ 3: written })] })['code']).toEqual({ coding });
  });

  test.each([
    ['F', 'final', 'preliminary'],
    ['P', 'preliminary', 'preliminary'],
    ['R', 'preliminary', 'preliminary'],
    ['C', 'corrected', 'any'],
    ['A', 'amended', 'any'],
    ['D', 'entered-in-error', 'any'],
    ['W', 'entered-in-error', 'any'],
  ])('with %s in OBX-11 is %s', (written, status, replaces) => {
    const [row] = rows({ obx: [weight({ 11: written })] });
    expect(row).toMatchObject({ kind: 'reading', replaces, observation: { status } });
  });

  test('of IHE PCD-01 is final with R, the status of its ordinary values', () => {
    const header = { 12: '2.6', 21: 'IHE_PCD_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO' };
    expect(observation({ header, obx: [weight({ 11: 'R' })] })).toMatchObject({ status: 'final' });
  });

  test.each(['B', 'I', 'N', 'O', 'S', 'U', 'V', 'f', 'final'])(
    'with %s in OBX-11 is at fault, as the published map leaves it out',
    (written) => {
      expect(fault({ obx: [weight({ 11: written })] })).toMatchObject({ code: '103', place: 'OBX-1-11' });
    },
  );

  test('with X in OBX-11 says that there is no value, and with a value contradicts itself', () => {
    const cancelled = observation({ obx: [weight({ 5: '', 11: 'X' })] });
    expect(cancelled).toMatchObject({ status: 'cancelled', dataAbsentReason: { coding: [{ code: 'unknown' }] } });
    expect(cancelled).not.toHaveProperty('valueQuantity');
    expect(fault({ obx: [weight({ 11: 'X' })] })).toMatchObject({ code: '102', place: 'OBX-1-5' });
  });

  test.each([
    ['no OBX-11', { 11: '' }, '101', 'OBX-1-11'],
    ['no value', { 5: '' }, '101', 'OBX-1-5'],
    ['a null for a value', { 5: '""' }, '101', 'OBX-1-5'],
    ['a text', { 2: 'ST' }, '102', 'OBX-1-2'],
    ['a structured numeric', { 2: 'SN', 5: '>^70' }, '102', 'OBX-1-2'],
    ['two values', { 5: '70.0~71.0' }, '102', 'OBX-1-5'],
    ['no code', { 3: '' }, '101', 'OBX-1-3'],
    ['a value that the device calls invalid', { 8: 'INV' }, '103', 'OBX-1-8'],
    ['an early estimate', { 8: 'N~EARLY' }, '103', 'OBX-1-8'],
    ['a demonstration', { 8: 'DEMO' }, '103', 'OBX-1-8'],
    ['a time that is none', { 14: '02.03.2026 08:05' }, '102', 'OBX-1-14'],
    ['hours without minutes', { 14: '2026030208' }, '102', 'OBX-1-14'],
  ])('with %s is at fault', (_what, fields, code, place) => {
    expect(fault({ obx: [weight(fields)] })).toMatchObject({ code, place });
  });

  test('beyond the range of its scale carries the comparator, which a rule refuses', () => {
    expect(observation({ obx: [weight({ 8: '>' })] })['valueQuantity']).toMatchObject({ value: 70, comparator: '>' });
    expect(observation({ obx: [weight({ 8: 'H' })] })['valueQuantity']).not.toHaveProperty('comparator');
  });

  test('has a method when a code system of FHIR has it', () => {
    expect(observation({ obx: [weight({ 17: '258104002^Measured^SCT' })] })['method']).toEqual({
      coding: [{ system: 'http://snomed.info/sct', code: '258104002', display: 'Measured' }],
    });
    expect(observation({ obx: [weight({ 17: 'SCALE^^L' })] })).not.toHaveProperty('method');
  });
});

describe('the time', () => {
  test.each([
    ['20260302080500.123+0100', '2026-03-02T08:05:00.123+01:00'],
    ['202603020805+0100', '2026-03-02T08:05:00+01:00'],
    ['20260302080500-0330', '2026-03-02T08:05:00-03:30'],
    ['20260302', '2026-03-02'],
    ['20260302+0100', '2026-03-02'],
    ['202603', '2026-03'],
    ['2026', '2026'],
    ['20260302080500', '2026-03-02T08:05:00+01:00'],
    ['', '2026-03-02T08:00:00+01:00'],
  ])('%j is %s: offset of its own or of MSH-7, and OBR-7 without OBX-14', (written, dateTime) => {
    expect(observation({ obx: [weight({ 14: written })] })['effectiveDateTime']).toBe(dateTime);
  });

  test('without an offset anywhere goes on without, for the rules to refuse', () => {
    const parts = { header: { 7: '20260302080700' }, obx: [weight({ 14: '20260302080500' })] };
    expect(observation(parts)['effectiveDateTime']).toBe('2026-03-02T08:05:00');
    expect(observation({ ...parts, obr: '', obx: [weight({ 14: '' })] })).not.toHaveProperty('effectiveDateTime');
  });

  // clocks of the zone as the IANA database has them: summer time from 2026-03-29 01:00 UTC to 2026-10-25 01:00 UTC
  test.each([
    ['Europe/Lisbon', '20260302080500', '2026-03-02T08:05:00+00:00'],
    ['Europe/Berlin', '20260302080500', '2026-03-02T08:05:00+01:00'],
    ['Europe/Berlin', '20260702080500', '2026-07-02T08:05:00+02:00'],
    ['America/St_Johns', '20260302080500', '2026-03-02T08:05:00-03:30'],
    ['Pacific/Kiritimati', '20260302000500', '2026-03-02T00:05:00+14:00'],
    ['UTC', '20260302000000', '2026-03-02T00:00:00+00:00'],
  ])('without an offset is that of the gateway in %s: %s is %s', (zone, written, dateTime) => {
    const parts = { header: { 7: '20260302080700' }, obx: [weight({ 14: written })] };
    expect(observation(parts, { zone })['effectiveDateTime']).toBe(dateTime);
  });

  test.each([
    ['which the clocks show twice', '20261025023000'],
    ['which the clocks leave out', '20260329023000'],
    ['which no calendar has', '20260230080500'],
  ])('%s is never guessed', (_what, written) => {
    const parts = { header: { 7: '20260302080700' }, obx: [weight({ 14: written })] };
    expect(fault(parts, { zone: 'Europe/Berlin' })).toMatchObject({ code: '102', place: 'OBX-1-14' });
  });
});

describe('the person', () => {
  const subject = (pid: string, systems: ReadonlyMap<string, string> = new Map()): unknown => observation({ pid }, { systems })['subject'];

  test.each([
    ['4711^^^HARBOURLIGHT&2.999.1&ISO^MR', 'urn:oid:2.999.1', '4711'],
    ['4711^^^HARBOURLIGHT^MR', `${NAMESPACE}/HARBOURLIGHT`, '4711'],
    ['4711^^^&https://harbourlight.example/mrn&URI^MR', 'https://harbourlight.example/mrn', '4711'],
    ['4711^^^&6F9619FF-8B86-D011-B42D-00C04FC964FF&UUID', 'urn:uuid:6f9619ff-8b86-d011-b42d-00c04fc964ff', '4711'],
    ['4711^^^&ehr.harbourlight.example&DNS^MR', `${NAMESPACE}/ehr.harbourlight.example`, '4711'],
    ['4711^^^A^PI~4712^^^B^MR', `${NAMESPACE}/B`, '4712'],
    ['4711^^^A^SS~4712^^^B^PI', `${NAMESPACE}/B`, '4712'],
    ['4711~4712^^^B', `${NAMESPACE}/B`, '4712'],
  ])('%s is %s %s', (written, system, value) => {
    expect(subject(`PID|1||${written}`)).toEqual({ identifier: { system, value } });
  });

  test('has the URI that the site gives its local name', () => {
    expect(subject('PID|1||4711^^^HARBOURLIGHT^MR', new Map([['HARBOURLIGHT', 'urn:oid:2.999.1']]))).toEqual({
      identifier: { system: 'urn:oid:2.999.1', value: '4711' },
    });
  });

  test('whose number nobody is said to have given is at fault; one without a number is nobody', () => {
    expect(fault({ pid: 'PID|1||4711^^^^MR' })).toMatchObject({ code: '101', place: 'PID-1-3' });
    expect(observation({ pid: 'PID|1||""||TESTWELL' })).not.toHaveProperty('subject');
    expect(observation({ pid: '' })).not.toHaveProperty('subject');
  });

  test('is the one above, where a message tells of several', () => {
    const text = message({ obx: [WEIGHT] }) + message({ pid: 'PID|2||4712^^^B', obx: [WEIGHT] }).replace(/^MSH.*?\r/, '');
    const parsed = parseMessage(text, (bytes) => bytes.toString('latin1'));
    const found = parsed.ok ? readingsIn(parsed.message, { systems: new Map() }) : [];
    expect(found.map((row) => (row.kind === 'reading' ? (row.observation['subject'] as unknown) : row.kind))).toEqual([
      { identifier: { system: 'urn:oid:2.999.1', value: INVENTED_NUMBER } },
      { identifier: { system: `${NAMESPACE}/B`, value: '4712' } },
    ]);
  });

  test('has no part in the order of the one above', () => {
    const text = message({ obx: [WEIGHT] }) + message({ pid: 'PID|2||4712^^^B', obr: '', obx: [WEIGHT] }).replace(/^MSH.*?\r/, '');
    const parsed = parseMessage(text, (bytes) => bytes.toString('latin1'));
    const found = parsed.ok ? readingsIn(parsed.message, { systems: new Map() }) : [];
    expect(found.map((row) => row.kind === 'reading' && 'identifier' in row.observation)).toEqual([true, false]);
  });

  test('leaves no trace but this identifier', () => {
    const said = rows({ obx: [WEIGHT, HEIGHT] })
      .map((row) => JSON.stringify(row))
      .join('');
    expect(said).not.toMatch(/ZEBRAFINCH|MARIGOLD|Quay|1980/);
  });
});

describe('the identifier of a reading', () => {
  const identifier = (parts: MessageParts): unknown => observation(parts)['identifier'];

  test.each<[string, MessageParts, string, string]>([
    ['OBX-21', { obx: [weight({ 21: 'O-7^^2.999.9^ISO' })] }, 'urn:oid:2.999.9', 'O-7'],
    ['OBR-3 with OBX-3 and OBX-4', {}, 'urn:oid:2.999.5', 'R-1001^29463-7^1'],
    ['OBR-3 without OBX-4', { obx: [weight({ 4: '' })] }, 'urn:oid:2.999.5', 'R-1001^29463-7'],
    ['OBR-3 of a local name', { obr: 'OBR|1||R-1^GW' }, `${NAMESPACE}/GW`, 'R-1^29463-7^1'],
    ['OBR-3 of the sender', { obr: 'OBR|1||R-1' }, `${NAMESPACE}/HARBOURLIGHT%7CGATEWAY`, 'R-1^29463-7^1'],
    ['OBR-3 of a sender with an OID', { header: { 3: 'GATEWAY^2.999.4^ISO' }, obr: 'OBR|1||R-1' }, 'urn:oid:2.999.4', 'R-1^29463-7^1'],
  ])('is %s', (_what, parts, system, value) => {
    expect(identifier(parts)).toEqual([{ system, value }]);
  });

  test.each<[string, MessageParts]>([
    ['OBR-3 nor OBX-21', { obr: 'OBR|1' }],
    ['an OBR at all', { obr: '' }],
    ['a sender who says who it is', { header: { 3: '', 4: '' }, obr: 'OBR|1||R-1' }],
  ])('is none without %s, and nothing can be corrected', (_what, parts) => {
    expect(observation(parts)).not.toHaveProperty('identifier');
    expect(fault({ ...parts, obx: [weight({ 11: 'C' })] }).code).toBe('101');
    expect(fault({ ...parts, obx: [weight({ 11: 'W' })] }).said).toMatch(/nothing says which/);
  });

  test('is the same in a correction as in what it corrects, whatever else has changed', () => {
    const corrected = { header: { 10: 'C-2', 7: '20260302093000+0100' }, obx: [weight({ 5: '71.0', 11: 'C', 14: '20260302080400+0100' })] };
    expect(identifier(corrected)).toEqual(identifier({}));
  });
});

describe('the device', () => {
  const device = (written: string): unknown => observation({ obx: [weight({ 18: written })] })['device'];

  test.each([
    ['SCALE-1^^2.999.7^ISO', 'urn:oid:2.999.7', 'SCALE-1'],
    ['SCALE-1^WARD', `${NAMESPACE}/WARD`, 'SCALE-1'],
    ['SCALE-1', `${NAMESPACE}/HARBOURLIGHT%7CGATEWAY`, 'SCALE-1'],
    ['0123456789ABCDEF^^0123456789ABCDEF^EUI-64', 'urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680', '01-23-45-67-89-AB-CD-EF'],
    ['0123456789ABCDEF^WARD^0123456789ABCDEF^EUI-64', 'urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680', '01-23-45-67-89-AB-CD-EF'],
    ['0123456789abcdef^EUI-64', 'urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680', '01-23-45-67-89-AB-CD-EF'],
  ])('%s is %s %s', (written, system, value) => {
    expect(device(written)).toEqual({ identifier: { system, value } });
  });

  test('is that of the rows above, where a message of IHE PCD-01 says it once', () => {
    const scale = '|528399^MDC_DEV_SPEC_PROFILE_SCALE^MDC|1.0.0.0|||||||X|||||||0123456789ABCDEF^EUI-64';
    const clock = 'DTM|67975^MDC_ATTR_TIME_ABS^MDC|1.0.0.3|20260302080500||||||R';
    const metric = weight({ 3: '188736^MDC_MASS_BODY_ACTUAL^MDC', 4: '1.0.0.1', 18: '' });
    const other = weight({ 3: '188740^MDC_LEN_BODY_ACTUAL^MDC', 4: '2.0.0.1', 18: '' });
    const found = rows({ obx: [scale, clock, metric, other] });
    expect(found.map((row) => (row.kind === 'reading' ? row.observation['device'] : row.kind))).toEqual([
      { identifier: { system: 'urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680', value: '01-23-45-67-89-AB-CD-EF' } },
      undefined,
    ]);
  });
});

describe('a device that rows above name', () => {
  const scale = (id: string): string => `OBX|1||528399^MDC_DEV_SPEC_PROFILE_SCALE^MDC|1.0.0.0|||||||X|||||||${id}^WARD\r`;
  const metric = `OBX|2|${weight({ 3: '188736^MDC_MASS_BODY_ACTUAL^MDC', 4: '1.0.0.1', 18: '' })}\r`;
  const [ada, bo, header] = ['PID|1||1^^^A\r', 'PID|2||2^^^A\r', message({ pid: '', obr: '', obx: [] })];
  const devices = (text: string): unknown[] => {
    const read = parseMessage(header + text, (bytes) => bytes.toString('latin1'));
    return (read.ok ? readingsIn(read.message, { systems: new Map() }) : []).map((row) =>
      row.kind === 'reading' ? (row.observation['device'] as { identifier: { value: string } } | undefined)?.identifier.value : row.kind,
    );
  };
  const obr = 'OBR|1||R-1^GW\r';

  test.each([
    ['is never that of another person', ada + obr + scale('S-1') + metric + bo + obr + metric, ['S-1', undefined]],
    ['is that of its own person', ada + obr + scale('S-1') + metric + bo + obr + scale('S-2') + metric, ['S-1', 'S-2']],
    ['is that of its own order', ada + obr + scale('S-1') + metric + obr + scale('S-2') + metric, ['S-1', 'S-2']],
    ['may stand in another order of the person', ada + obr + scale('S-1') + obr + metric, ['S-1']],
    ['is none where two orders name two', ada + obr + scale('S-1') + obr + scale('S-2') + obr + metric, [undefined]],
    ['is one where two orders name it', ada + obr + scale('S-1') + obr + scale('S-1') + obr + metric, ['S-1']],
  ])('%s', (_what, text, expected) => {
    expect(devices(text)).toEqual(expected);
  });
});

test('a row that measures something else is a reading all the same, for the rules to refuse', () => {
  const found = rows({ obx: ['NM|8867-4^Heart rate^LN||72|/min^^UCUM|||||F', WEIGHT], obr: OBR });
  expect(found.map(({ kind }) => kind)).toEqual(['reading', 'reading']);
});

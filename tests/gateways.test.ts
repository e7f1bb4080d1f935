import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { ConfigError } from '../src/config.ts';
import { GatewaysHolder } from '../src/gateways.ts';

const path = join(mkdtempSync(join(tmpdir(), 'steelyard-gateways-')), 'gateways.json');
const written = (text: string): string => {
  writeFileSync(path, text);
  return path;
};
const problemsOf = (text: string): string => {
  try {
    new GatewaysHolder(written(text));
  } catch (error) {
    if (error instanceof ConfigError) return error.problems.join('\n');
    throw error;
  }
  throw new Error('the file was taken');
};

const DEVICES = 'must be a list of the Devices that the gateway may send for, 10000 at most, such as ["scale-1"].';
const GATEWAYS = 'must be an object that names each gateway by its client_id, a text of 1 to 200 characters.';

const FILE =
  '{"gateways":{"gateway-a":{"devices":["scale-1","scale-2"],"name":"Harbourlight Ward, east","silentAfterMinutes":30,"requestsPerMinute":600,"zone":"Europe/Lisbon"},"gateway-b":{"devices":[]}}}';

describe('the gateways file', () => {
  test('names the scales of each gateway, and what is expected of it', () => {
    const { current } = new GatewaysHolder(written(FILE));
    expect([...(current?.keys() ?? [])]).toEqual(['gateway-a', 'gateway-b']);
    expect(current?.get('gateway-a')).toEqual({
      devices: ['scale-1', 'scale-2'],
      name: 'Harbourlight Ward, east',
      silentAfterMinutes: 30,
      requestsPerMinute: 600,
      zone: 'Europe/Lisbon',
    });
    expect(current?.get('toString')).toBeUndefined();
  });

  test('names the certificates of each gateway, and the URIs of local names, for HL7 v2', () => {
    const holder = new GatewaysHolder(
      written(
        '{"gateways":{"a":{"devices":[],"certificates":["a.ward.example","A-2"]},"b":{"devices":[],"certificates":[]}},"systems":{"WARD":"urn:oid:2.999.1"}}',
      ),
    );
    expect(holder.current?.get('a')?.certificates).toEqual(['a.ward.example', 'A-2']);
    expect([...holder.systems]).toEqual([['WARD', 'urn:oid:2.999.1']]);
    written('{"gateways":{},"systems":{"WARD":"urn:oid:2.999.2"}}');
    expect([holder.reload().kind, holder.systems.get('WARD')]).toEqual(['loaded', 'urn:oid:2.999.2']);
  });

  test.each([
    ['{"gateways":{"a":{"devices":[],"certificates":["*.ward.example"]}}}', /certificates\.0": must be a DNS name/],
    ['{"gateways":{"a":{"devices":[],"certificates":"a"}}}', /must be a list of DNS names/],
    [
      '{"gateways":{"a":{"devices":[],"certificates":["x"]},"b":{"devices":[],"certificates":["X"]}}}',
      /"gateways\.b\.certificates": names a certificate that another/,
    ],
    ['{"gateways":{},"systems":{"WARD":"ward"}}', /"systems\.WARD": must be a URI/],
    ['{"gateways":{},"sistems":{}}', /did you mean "systems"/],
  ])('is refused for %s', (text, problem) => {
    expect(problemsOf(text)).toMatch(problem);
  });

  test('of the examples is one', () => {
    const { current } = new GatewaysHolder(join(import.meta.dirname, '../examples/gateways.json'));
    expect(current?.get('harbourlight-west')).toEqual({ devices: ['scale-9'] });
  });

  test('that is not there restricts nothing', () => {
    const holder = new GatewaysHolder(undefined);
    expect([holder.current, holder.reload()]).toEqual([undefined, { kind: 'no-file' }]);
  });

  test.each([
    ['{"gateways":{"g":{"devices":["a"],"devcies":["b"]}}}', '"gateways.g.devcies": no member has this name; did you mean "devices"?'],
    ['{"gateways":{"g":{"devcies":["b"]}}}', '"gateways.g.devcies": no member has this name; did you mean "devices"?'],
    ['{"gateways":{"g":{"devices":[],"colour":1}}}', '"gateways.g.colour": no member has this name; take it out.'],
    ['{"gateways":{"g":{}}}', `"gateways.g.devices": ${DEVICES}`],
    ['{"gateways":{"g":{"devices":"scale-1"}}}', `"gateways.g.devices": ${DEVICES}`],
    ['{"gateways":{"g":{"devices":["Device/1","a/b",7]}}}', '"gateways.g.devices.0": must be the id of a Device, such as "scale-1".'],
    [
      '{"gateways":{"g":{"devices":[],"silentAfterMinutes":0}}}',
      '"gateways.g.silentAfterMinutes": must be a whole number from 1 to 10080.',
    ],
    [
      '{"gateways":{"g":{"devices":[],"requestsPerMinute":1.5}}}',
      '"gateways.g.requestsPerMinute": must be a whole number from 1 to 1000000.',
    ],
    ['{"gateways":{"g":{"devices":[],"name":""}}}', '"gateways.g.name": must be a text of 1 to 200 characters.'],
    ['{"gateways":{"g":{"devices":[],"zone":"Harbour/Light"}}}', '"gateways.g.zone": must be an IANA time zone, such as "Europe/Lisbon".'],
    ['{"gateways":{"g":[]}}', '"gateways.g": must be an object with the "devices" of the gateway.'],
    ['{"gateways":{"":{"devices":[]}}}', `"gateways.": ${GATEWAYS}`],
    ['{"gateways":["g"]}', `"gateways": ${GATEWAYS}`],
    ['{}', `"gateways": ${GATEWAYS}`],
    ['{"gateway":{}}', '"gateway": no member has this name; did you mean "gateways"?'],
  ])('%s is refused with one sentence that says where and what to do', (text, sentence) => {
    expect(problemsOf(text)).toBe(`STEELYARD_GATEWAYS: ${sentence}`);
  });

  test.each([
    [
      '{"gateways":{"g":{"devices":[]},"g":{"devices":["scale-9"]}}}',
      /^STEELYARD_GATEWAYS is not acceptable JSON: .*, line 1, column \d+\.$/,
    ],
    ['{"gateways":{"__proto__":{"devices":[]}}}', /^STEELYARD_GATEWAYS is not acceptable JSON: .*, line 1, column \d+\.$/],
    ['{"gateways":', /^STEELYARD_GATEWAYS is not acceptable JSON: .*, line 1, column \d+\.$/],
    ['[]', /^STEELYARD_GATEWAYS must hold one JSON object with the member "gateways"\.$/],
  ])('%s is refused as a whole', (text, sentence) => {
    expect(problemsOf(text)).toMatch(sentence);
  });

  test('with two faults is refused with a sentence for each', () => {
    expect(problemsOf('{"gateways":{"g":{"zone":"x","devices":["a b","c d"]}}}').split('\n')).toHaveLength(2);
  });

  test('that cannot be read is said so', () => {
    expect(() => new GatewaysHolder(`${path}.missing`)).toThrow(/cannot be read \(ENOENT\)/);
  });

  test('is read again when it is told to; a broken one changes nothing', () => {
    const holder = new GatewaysHolder(written(FILE));
    written('{"gateways":{"gateway-c":{"devices":["scale-3"]}}}');
    expect(holder.current?.has('gateway-a')).toBe(true);
    expect(holder.reload()).toEqual({ kind: 'loaded', gateways: 1 });
    expect([holder.current?.has('gateway-a'), holder.lastReloadFailed]).toEqual([false, false]);
    written('{"gateways":{"gateway-c":{"devices":["scale-3"],"secret":"s3cret"}}}');
    const kept = holder.reload();
    expect(kept.kind).toBe('kept');
    expect(JSON.stringify(kept)).not.toContain('s3cret');
    expect([holder.current?.get('gateway-c')?.devices, holder.lastReloadFailed]).toEqual([['scale-3'], true]);
    rmSync(path);
    expect([holder.reload().kind, holder.current?.size]).toEqual(['kept', 1]);
  });
});

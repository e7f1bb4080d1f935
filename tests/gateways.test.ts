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

  test('of the examples is one', () => {
    const { current } = new GatewaysHolder(join(import.meta.dirname, '../examples/gateways.json'));
    expect(current?.get('harbourlight-west')).toEqual({ devices: ['scale-9'] });
  });

  test('that is not there restricts nothing', () => {
    const holder = new GatewaysHolder(undefined);
    expect([holder.current, holder.reload()]).toEqual([undefined, { kind: 'no-file' }]);
  });

  test.each([
    ['{"gateways":{"g":{"devices":["a"],"devcies":["b"]}}}', /gateways\.g: .*devcies/],
    ['{"gateways":{"g":{}}}', /gateways\.g\.devices/],
    ['{"gateways":{"g":{"devices":"scale-1"}}}', /gateways\.g\.devices/],
    ['{"gateways":{"g":{"devices":["Device/scale-1"]}}}', /gateways\.g\.devices\.0: must be the id of a Device/],
    ['{"gateways":{"g":{"devices":[],"silentAfterMinutes":0}}}', /silentAfterMinutes/],
    ['{"gateways":{"g":{"devices":[],"requestsPerMinute":1.5}}}', /requestsPerMinute/],
    ['{"gateways":{"g":{"devices":[],"zone":"Harbour/Light"}}}', /zone: must be an IANA time zone/],
    ['{"gateways":{"g":{"devices":[]},"g":{"devices":["scale-9"]}}}', /not acceptable JSON/],
    ['{"gateways":{"__proto__":{"devices":[]}}}', /not acceptable JSON/],
    ['{"gateways":{"":{"devices":[]}}}', /gateways/],
    ['{"gateway":{}}', /gateway/],
    ['[]', /STEELYARD_GATEWAYS:/],
    ['{"gateways":', /not acceptable JSON.*line 1/],
  ])('%s is refused', (text, sentence) => {
    expect(problemsOf(text)).toMatch(sentence);
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

import { describe, expect, it } from 'vitest';
import { parseIfNoneExist } from '../../src/ingest/if-none-exist.ts';

describe('the condition of a conditional create', () => {
  it.each([
    ['identifier=urn:a|1', { system: 'urn:a', value: '1' }],
    ['?identifier=urn:a|1', { system: 'urn:a', value: '1' }],
    ['identifier=urn:a%7C2026-03-02T08:00:00%2B01:00', { system: 'urn:a', value: '2026-03-02T08:00:00+01:00' }],
    ['identifier=urn:a%7Ca%26b', { system: 'urn:a', value: 'a&b' }],
    ['identifier=urn:a%7C50%2525', { system: 'urn:a', value: '50%25' }],
    ['identifier=urn:a|b|c', { system: 'urn:a', value: 'b|c' }],
  ])('%s is read with its escapes taken away once', (condition, token) => {
    expect(parseIfNoneExist(condition)).toEqual(token);
  });

  it.each([
    'identifier=1',
    'identifier=|1',
    'identifier=s|',
    'code=29463-7',
    'identifier=s|1&code=2',
    'identifier=a|1,a|2',
    'identifier=a%ZZ|1',
    'identifier=a|%ff',
    '',
  ])('%j is not served', (condition) => {
    expect(() => parseIfNoneExist(condition)).toThrow(
      expect.objectContaining({ code: 'ERR_BAD_VALUE', expression: 'http.If-None-Exist' }) as Error,
    );
  });
});

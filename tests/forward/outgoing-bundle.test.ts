import { describe, expect, it } from 'vitest';
import { parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { OURS } from '../../src/core/terminology.ts';
import { fullUrlOf, identityOf, searchFor, withIdentity } from '../../src/forward/identity.ts';
import { buildOutgoingBundle, referencedObservations } from '../../src/forward/outgoing-bundle.ts';

function exact(text: string): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new TypeError(parsed.problem.reason);
  return parsed.value as JsonObject;
}

function outgoing(id: string, text: string, { version = 1, copyAt }: { readonly version?: number; readonly copyAt?: string } = {}) {
  const content = exact(text);
  return {
    type: 'Observation' as const,
    id,
    version,
    content,
    identity: identityOf('Observation', id, content),
    ...(copyAt === undefined ? {} : { copyAt }),
  };
}

describe('fullUrl', () => {
  it('is the id itself when that is a UUID', () => {
    expect(fullUrlOf('Observation', '0F8FAD5B-D9CB-469F-A165-70867728950E')).toBe('urn:uuid:0f8fad5b-d9cb-469f-a165-70867728950e');
  });
  it('is otherwise a UUID of version 5 and of the RFC variant, always the same, and different by type', () => {
    for (let n = 0; n < 200; n += 1) {
      expect(fullUrlOf('Observation', `w-${n}`)).toMatch(/^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
    }
    expect(fullUrlOf('Observation', 'w-1')).toBe(fullUrlOf('Observation', 'w-1'));
    expect(fullUrlOf('Observation', 'w-1')).not.toBe(fullUrlOf('Provenance', 'w-1'));
  });
});

describe('identity', () => {
  it('is the identifier of ours that the resource carries, else our id, which is then written in', () => {
    const own = exact(
      `{"resourceType":"Observation","identifier":[{"system":"urn:x","value":"1"},{"system":"${OURS.observationIdentifier}","value":"abc"}]}`,
    );
    expect(identityOf('Observation', 'w-1', own).value).toBe('abc');
    expect(withIdentity(own, identityOf('Observation', 'w-1', own))).toBe(own);
    const none = exact('{"resourceType":"Provenance","meta":{"tag":[{"system":"urn:x","code":"1"}]}}');
    expect(withIdentity(none, identityOf('Provenance', 'p-1', none))).toEqual({
      resourceType: 'Provenance',
      meta: {
        tag: [
          { system: 'urn:x', code: '1' },
          { system: OURS.provenanceTag, code: 'p-1' },
        ],
      },
    });
  });
  it('is searched percent-encoded, with separators of FHIR escaped', () => {
    const identity = { type: 'Observation' as const, system: 'urn:a', value: 'b,c|d$&e' };
    expect(searchFor([identity])).toBe('identifier=urn%3Aa%7Cb%5C%2Cc%5C%7Cd%5C%24%26e');
    expect(
      searchFor([
        { ...identity, type: 'Provenance', value: 'x' },
        { ...identity, type: 'Provenance', value: 'y' },
      ]),
    ).toBe('_tag=urn%3Aa%7Cx,urn%3Aa%7Cy');
  });
});

describe('the outgoing Bundle', () => {
  it('changes nothing of a resource but what the receiver assigns and references to our Observations', () => {
    const text = `{"resourceType":"Observation","id":"b-1","meta":{"versionId":"1","lastUpdated":"2026-03-02T12:00:00.000001Z","tag":[{"system":"urn:t","code":"c"}]},"identifier":[{"system":"${OURS.observationIdentifier}","value":"b-1"}],"valueQuantity":{"value":1.230},"component":[{"valueQuantity":{"value":0.10}}],"derivedFrom":[{"reference":"Observation/w-1/_history/3"},{"reference":"Observation/theirs"}],"subject":{"reference":"Patient/1"},"note":[{"text":"as on Observation/w-1"}]}`;
    const { text: bundle } = buildOutgoingBundle([outgoing('b-1', text)], new Map([['w-1', 'Observation/55']]));
    expect(bundle).toBe(
      `{"resourceType":"Bundle","type":"transaction","entry":[{"fullUrl":"${fullUrlOf('Observation', 'b-1')}","resource":` +
        text
          .replace('"id":"b-1",', '')
          .replace('"versionId":"1","lastUpdated":"2026-03-02T12:00:00.000001Z",', '')
          .replace('Observation/w-1/_history/3', 'Observation/55') +
        `,"request":{"method":"POST","url":"Observation","ifNoneExist":"${searchFor([{ type: 'Observation', system: OURS.observationIdentifier, value: 'b-1' }])}"}}]}`,
    );
  });

  it('names by identifier what the EHR has no place for, and leaves what else stands in the reference', () => {
    const { text } = buildOutgoingBundle(
      [
        outgoing(
          'b-1',
          '{"resourceType":"Observation","derivedFrom":[{"reference":"Observation/w-1","display":"Weight"},{"reference":"Observation/w-1","identifier":{"value":"as sent"}}]}',
        ),
      ],
      new Map([['w-1', { type: 'Observation' as const, system: OURS.observationIdentifier, value: 'w-1' }]]),
    );
    expect(text).toContain(
      `"derivedFrom":[{"type":"Observation","identifier":{"system":"${OURS.observationIdentifier}","value":"w-1"},"display":"Weight"},{"type":"Observation","identifier":{"value":"as sent"}}]`,
    );
  });

  it('leaves out a meta that holds nothing else', () => {
    const { text } = buildOutgoingBundle(
      [outgoing('w-1', '{"resourceType":"Observation","id":"w-1","meta":{"versionId":"1","lastUpdated":"x"}}')],
      new Map(),
    );
    expect(text).not.toContain('meta');
  });

  it('puts a later version to the place that is known, with the id that belongs there', () => {
    const { text, entries } = buildOutgoingBundle(
      [outgoing('w-1', '{"resourceType":"Observation","id":"w-1"}', { version: 2, copyAt: 'Observation/55' })],
      new Map(),
    );
    expect(text).toContain('"resource":{"resourceType":"Observation","id":"55",');
    expect(text).toContain('"request":{"method":"PUT","url":"Observation/55"}');
    expect(entries).toMatchObject([{ method: 'PUT', copyAt: 'Observation/55', version: 2 }]);
  });

  it('updates by identifier, without an id, when the place of a later version is not known', () => {
    const { text } = buildOutgoingBundle([outgoing('w-1', '{"resourceType":"Observation","id":"w-1"}', { version: 2 })], new Map());
    expect(text).toContain(
      `"request":{"method":"PUT","url":"Observation?${searchFor([{ type: 'Observation', system: OURS.observationIdentifier, value: 'w-1' }])}"}`,
    );
    expect(text).not.toContain('"id":');
  });

  it('finds references to Observations wherever they stand, each once', () => {
    const content = exact(
      '{"a":[{"reference":"Observation/1"},{"b":{"reference":"Observation/2/_history/9"}}],"c":{"reference":"Observation/1"},"d":{"reference":"Patient/3"},"e":"Observation/4","f":{"reference":"https://x.example/Observation/5"}}',
    );
    expect(referencedObservations(content)).toEqual(['1', '2']);
  });
});

/** Look-ups of an EHR whose pages are short, or which returns less than it found. */
import { describe, expect, it } from 'vitest';
import { lookUp } from '../../src/forward/look-up.ts';
import type { Ehr, EhrReply } from '../../src/forward/ehr-client.ts';
import type { Identity } from '../../src/forward/identity.ts';
import { OURS } from '../../src/core/terminology.ts';

const identities = (count: number): Identity[] =>
  Array.from({ length: count }, (_, at) => ({ type: 'Observation', system: OURS.observationIdentifier, value: `w-${at}` }));

/** An EHR that holds these, and shows at most so many of them on a page. */
function ehrWith(values: readonly string[], pageSize: number, further: 'link' | 'total' = 'link') {
  const queries: string[] = [];
  const search = (_type: string, query: string): Promise<EhrReply> => {
    queries.push(query);
    const asked =
      new URLSearchParams(query)
        .get('identifier')
        ?.split(',')
        .map((token) => token.split('|')[1]) ?? [];
    const found = values.filter((value) => asked.includes(value));
    const entry = found.slice(0, pageSize).map((value, at) => ({
      resource: { resourceType: 'Observation', id: `${value}-${at}`, identifier: [{ system: OURS.observationIdentifier, value }] },
    }));
    const more = found.length > pageSize ? (further === 'link' ? { link: [{ relation: 'next', url: 'x' }] } : { total: found.length }) : {};
    return Promise.resolve({
      kind: 'answer',
      status: 200,
      text: JSON.stringify({ resourceType: 'Bundle', type: 'searchset', ...more, entry }),
    });
  };
  const none = (): Promise<EhrReply> => Promise.resolve({ kind: 'unsent', cause: 'none' });
  const ehr: Ehr = { timeoutMs: 1, search, postBundle: none, read: none, searchByForm: none };
  return { ehr, queries };
}

describe('a look-up', () => {
  it.each(['link', 'total'] as const)('of an EHR that shows three at a time (by its %s) misses none', async (further) => {
    const values = identities(18).map(({ value }) => value);
    const { ehr } = ehrWith(values, 3, further);
    const found = await lookUp(ehr, identities(18), 'r');
    expect(found.kind === 'found' && [...found.copies.keys()].toSorted()).toEqual(values.toSorted());
  });

  it('asks for many in URLs that are not too long', async () => {
    const { ehr, queries } = ehrWith([], 50);
    expect(await lookUp(ehr, identities(100), 'r')).toMatchObject({ kind: 'found' });
    expect(queries).toHaveLength(5);
    for (const query of queries) expect(query.length).toBeLessThan(8_000);
  });

  it('tells two of one identifier though a page shows but one', async () => {
    const { ehr } = ehrWith(['w-0', 'w-0'], 1);
    expect(await lookUp(ehr, identities(1), 'r')).toMatchObject({ kind: 'permanent' });
    const { ehr: other } = ehrWith(['w-0', 'w-0'], 5);
    expect(await lookUp(other, identities(1), 'r')).toMatchObject({ kind: 'permanent' });
  });

  it.each([
    ['entries that are no list', '{"resourceType":"Bundle","type":"searchset","entry":{}}'],
    ['an entry that is none', '{"resourceType":"Bundle","type":"searchset","entry":[null]}'],
    ['an entry without its resource', '{"resourceType":"Bundle","type":"searchset","entry":[{"fullUrl":"x"}]}'],
    ['a total above what it shows', '{"resourceType":"Bundle","type":"searchset","total":1}'],
    [
      'an id that is none',
      `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Observation","id":"../x","identifier":[{"system":"${OURS.observationIdentifier}","value":"w-0"}]}}]}`,
    ],
  ])('takes %s for no answer, never for nothing there', async (_what, text) => {
    const { ehr } = ehrWith([], 1);
    const answering: Ehr = { ...ehr, search: () => Promise.resolve({ kind: 'answer', status: 200, text }) };
    expect(await lookUp(answering, identities(1), 'r')).toMatchObject({ kind: 'unclear' });
  });
});

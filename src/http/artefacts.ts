/**
 * The conformance resources of `profiles/`: read and search by url, name, id.
 */
import { sendFhir } from './answer.ts';
import { preferencesOf } from './negotiation.ts';
import { searchParametersOf } from './observation-search.ts';
import { idOf, notFound } from './path-id.ts';
import { writeQuery } from './search/query.ts';
import { unservedParameter } from './search/refusals.ts';
import { writeSearchset } from './search/searchset.ts';
import { alternatives } from './search/values.ts';
import type { ArtefactType, Handler, PublishedArtefact, Serving } from './serving.ts';

export function readArtefact({ artefacts }: Serving, type: ArtefactType): Handler {
  return (req, res) => {
    const id = idOf(req);
    const found = artefacts.find((artefact) => artefact.type === type && artefact.id === id);
    if (!found) throw notFound();
    sendFhir(res, { status: 200, text: found.text });
  };
}

type Matcher = (artefact: PublishedArtefact, wanted: string) => boolean;

/** R4 Search: a string matches from its beginning whatever its case; uri and id match whole. */
export const ARTEFACT_PARAMETERS: Readonly<
  Record<string, { readonly type: 'uri' | 'string' | 'token'; readonly means: string; readonly matches: Matcher }>
> = {
  url: { type: 'uri', means: 'canonical URL', matches: ({ url }, wanted) => url === wanted },
  name: {
    type: 'string',
    means: 'computable name, from its beginning',
    matches: ({ name }, wanted) => name.toLowerCase().startsWith(wanted.toLowerCase()),
  },
  _id: { type: 'token', means: 'id', matches: ({ id }, wanted) => id === wanted },
};

export function searchArtefacts({ artefacts, baseUrl }: Serving, type: ArtefactType): Handler {
  return (req, res) => {
    const { lenient } = preferencesOf(req);
    const known = searchParametersOf(req).filter(({ name }) => {
      const isKnown = Object.hasOwn(ARTEFACT_PARAMETERS, name) || name === '_format';
      if (!isKnown && !lenient) throw unservedParameter(name, `is not served for ${type}.`);
      return isKnown;
    });
    const isMatch = (artefact: PublishedArtefact): boolean =>
      artefact.type === type &&
      known.every(({ name, value }) => {
        const row = ARTEFACT_PARAMETERS[name];
        return !row || alternatives(name, value).some((wanted) => row.matches(artefact, wanted));
      });
    const entries = artefacts
      .filter(isMatch)
      .map(({ id, text }) => ({ fullUrl: `${baseUrl}/${type}/${id}`, text, mode: 'match' as const }));
    const self = known.length === 0 ? `${baseUrl}/${type}` : `${baseUrl}/${type}?${writeQuery(known)}`;
    sendFhir(res, { status: 200, text: writeSearchset({ total: entries.length, links: [{ relation: 'self', url: self }], entries }) });
  };
}

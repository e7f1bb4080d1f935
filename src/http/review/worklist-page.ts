/** `/review`: what waits. */
import { worklistView, type WorklistFilter } from '../../review/worklist.ts';
import { notesOf } from '../request-notes.ts';
import { parseQuery, queryOf } from '../search/query.ts';
import type { Handler, Request } from '../serving.ts';
import { loadWaiting } from './load-worklist.ts';
import { sendPage } from './send-page.ts';
import type { PageParts } from './page-parts.ts';

export function worklistPage(parts: PageParts): Handler {
  return async (req, res) => {
    const { all, isCut } = await loadWaiting(parts.surroundings());
    notesOf(res).concerned.push(...all.flatMap(({ person, isUnassigned }) => (isUnassigned ? [] : [person.key])));
    const content = worklistView({ all, isCut, filter: filterIn(req) });
    sendPage(res, { title: 'Readings that wait', section: '/review', content, waiting: all.length });
  };
}

const FILTERS = ['ward', 'quantity', 'rule', 'scale'] as const satisfies readonly (keyof WorklistFilter)[];

/** A form sends an empty value where nothing was chosen; what a page does not know it passes over. */
function filterIn(req: Request): WorklistFilter {
  const given = parseQuery(queryOf(req.originalUrl)).filter(({ value }) => value !== '');
  return Object.fromEntries(FILTERS.flatMap((name) => given.filter((one) => one.name === name).map(({ value }) => [name, value])));
}

/** The pages for people: every route, who may come in, and how it is recorded. */
import express, { type ErrorRequestHandler, type Router } from 'express';
import { ruleIdOf } from '../../errors.ts';
import { noteAccess, type Access } from '../audit/audit-calls.ts';
import { sendOnceRecorded } from '../answer.ts';
import { toServiceError } from '../error-handler.ts';
import { refuseOtherMethods } from '../fhir-router.ts';
import { notesOf } from '../request-notes.ts';
import type { Handler, RequestHandler, Serving } from '../serving.ts';
import { sendPlainPage } from '../sign-in/plain-page.ts';
import { assets } from './assets.ts';
import { decideByForm, undoByForm } from './decide-form.ts';
import { LiveWorklist } from './live.ts';
import { pageParts } from './page-parts.ts';
import { PAGE_POLICY } from './page-policy.ts';
import { readingPage } from './reading-page.ts';
import { refusedPage } from './refused-page.ts';
import { recallByForm, scalePage, scalesPage, useScale } from './scale-pages.ts';
import { shiftFile, shiftPage } from './shift-page.ts';
import { unsentPage } from './unsent-page.ts';
import { letIn, takeForm } from './visitor.ts';
import { worklistPage } from './worklist-page.ts';

export const REVIEW_PATH = '/review';

interface PageRoute {
  readonly method: 'get' | 'post';
  readonly path: string;
  readonly handle: Handler;
  /** Absent for what shows nothing of anybody. */
  readonly access?: Access;
}

const LISTS: Access = { interaction: 'search-type', type: 'Observation' };
const LISTS_SCALES: Access = { interaction: 'search-type', type: 'Device' };
const READS_SCALE: Access = { interaction: 'read', type: 'Device' };
const READS: Access = { interaction: 'read', type: 'Observation' };

export function reviewPages(serving: Serving): Router {
  const parts = pageParts(serving, () => serving.clock.nowMs());
  const live = new LiveWorklist(serving);
  const routes: readonly PageRoute[] = [
    { method: 'get', path: '/', handle: worklistPage(parts), access: LISTS },
    { method: 'get', path: '/events', handle: live.handle },
    { method: 'get', path: '/readings/:id', handle: readingPage(parts), access: READS },
    { method: 'post', path: '/readings/:id/decide', handle: decideByForm(parts), access: READS },
    { method: 'post', path: '/readings/:id/undo', handle: undoByForm(parts), access: READS },
    { method: 'get', path: '/refused', handle: refusedPage(parts), access: LISTS },
    { method: 'get', path: '/unsent', handle: unsentPage(parts), access: LISTS },
    { method: 'get', path: '/scales', handle: scalesPage(parts), access: LISTS_SCALES },
    { method: 'get', path: '/scales/:id', handle: scalePage(parts), access: READS_SCALE },
    { method: 'post', path: '/scales/:id/use', handle: useScale(parts), access: READS_SCALE },
    { method: 'post', path: '/scales/:id/recall', handle: recallByForm(parts), access: READS_SCALE },
    { method: 'get', path: '/shift', handle: shiftPage(parts), access: LISTS },
    { method: 'get', path: '/shift.csv', handle: shiftFile(parts), access: { ...LISTS, event: 'export' } },
  ];
  const router = express.Router({ caseSensitive: true, strict: false });
  mount(router, { method: 'get', path: '/assets/:file', handle: assets() }, []);
  for (const route of routes) mount(router, route, [letIn(serving), ...(route.method === 'post' ? takeForm : [])]);
  // whoever sends a form is looked at before they are told whether there is something to send it to
  router.post('/{*elsewhere}', letIn(serving), ...takeForm);
  router.use(answerInWords);
  return router;
}

/** A browser shows what it is sent: whoever looks at a page is told of a problem in words, and of faults as everybody is. */
const answerInWords: ErrorRequestHandler = (error: unknown, _req, res, next) => {
  const known = toServiceError(error);
  if (known === undefined || res.headersSent) {
    next(error);
    return;
  }
  const { status, title, retryAfter } = known.row;
  notesOf(res).ruleIds.add(ruleIdOf(known.code));
  if (retryAfter !== undefined) res.set('Retry-After', String(retryAfter));
  sendOnceRecorded(res, { status }, () =>
    sendPlainPage(res, status, title, [known.message], { href: REVIEW_PATH, text: 'Readings that wait' }),
  );
};

function mount(router: Router, { method, path, handle, access }: PageRoute, before: readonly RequestHandler[]): void {
  const route = router.route(path);
  route.all((_req, res, next) => {
    notesOf(res).route = `${REVIEW_PATH}${path}`;
    res.set('Content-Security-Policy', PAGE_POLICY);
    next();
  });
  route[method](...(access ? [noteAccess(access)] : []), ...before, handle);
  refuseOtherMethods(route, [{ method }]);
}

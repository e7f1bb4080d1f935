/** The pages for people: every route, who may come in, and how it is recorded. */
import type { Router } from 'express';
import type { Access } from '../audit/audit-calls.ts';
import type { Serving } from '../serving.ts';
import { assets } from './assets.ts';
import { decideByForm, undoByForm } from './decide-form.ts';
import { LiveWorklist } from './live.ts';
import { pageParts } from './page-parts.ts';
import { pageRouter } from './page-routes.ts';
import { readingPage } from './reading-page.ts';
import { refusedPage } from './refused-page.ts';
import { recallByForm, scalePage, scalesPage, useScale } from './scale-pages.ts';
import { shiftFile, shiftPage } from './shift-page.ts';
import { takeTried, tryByForm, tryPage } from './try-page.ts';
import { retryByForm, unsentPage } from './unsent-page.ts';
import { worklistPage } from './worklist-page.ts';

export const REVIEW_PATH = '/review';
export const TRY_PATH = '/try';

const LISTS: Access = { interaction: 'search-type', type: 'Observation' };
const LISTS_SCALES: Access = { interaction: 'search-type', type: 'Device' };
const READS_SCALE: Access = { interaction: 'read', type: 'Device' };
const READS: Access = { interaction: 'read', type: 'Observation' };
const ASSESSES: Access = { interaction: 'operation', event: 'assess', type: 'Observation' };

export function reviewPages(serving: Serving): Router {
  const parts = pageParts(serving, () => serving.clock.nowMs());
  const live = new LiveWorklist(serving);
  return pageRouter(serving, REVIEW_PATH, [
    { method: 'get', path: '/assets/:file', handle: assets(), isOpen: true },
    { method: 'get', path: '/', handle: worklistPage(parts), access: LISTS },
    { method: 'get', path: '/events', handle: live.handle },
    { method: 'get', path: '/readings/:id', handle: readingPage(parts), access: READS },
    { method: 'post', path: '/readings/:id/decide', handle: decideByForm(parts), access: READS },
    { method: 'post', path: '/readings/:id/undo', handle: undoByForm(parts), access: READS },
    { method: 'get', path: '/refused', handle: refusedPage(parts), access: LISTS },
    { method: 'get', path: '/unsent', handle: unsentPage(parts), access: LISTS },
    { method: 'post', path: '/unsent/:number/retry', handle: retryByForm(parts), access: LISTS },
    { method: 'get', path: '/scales', handle: scalesPage(parts), access: LISTS_SCALES },
    { method: 'get', path: '/scales/:id', handle: scalePage(parts), access: READS_SCALE },
    { method: 'post', path: '/scales/:id/use', handle: useScale(parts), access: READS_SCALE },
    { method: 'post', path: '/scales/:id/recall', handle: recallByForm(parts), access: READS_SCALE },
    { method: 'get', path: '/shift', handle: shiftPage(parts), access: LISTS },
    { method: 'get', path: '/shift.csv', handle: shiftFile(parts), access: { ...LISTS, event: 'export' } },
  ]);
}

/** The page to try a resource or a Bundle. */
export function tryPages(serving: Serving): Router {
  return pageRouter(serving, TRY_PATH, [
    { method: 'get', path: '/', handle: tryPage(serving) },
    { method: 'post', path: '/', handle: tryByForm(serving), access: ASSESSES, takes: takeTried },
  ]);
}

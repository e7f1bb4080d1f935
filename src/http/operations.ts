/**
 * `/health/live`, `/health/ready`, `/metrics`: for those who run the service.
 */
import type { Express } from 'express';
import { guard } from './auth/door.ts';
import { OPEN, TO_OPERATE } from './auth/needs.ts';
import { refuseOtherMethods } from './fhir-router.ts';
import { notesOf } from './request-notes.ts';
import type { Handler, RequestHandler, Response, Serving } from './serving.ts';

/** @param whoCalls finds out who calls, where that is needed */
export function mountOperations(app: Express, serving: Serving, whoCalls: readonly RequestHandler[]): void {
  const { store, metrics, policy, isStopping } = serving;
  const sendState = (res: Response, status: number, state: string, detail: object = {}): void => {
    res
      .status(status)
      .set('Cache-Control', 'no-store')
      .type('application/json')
      .end(JSON.stringify({ status: state, ...detail }));
  };
  const pages: Readonly<Record<string, Handler>> = {
    '/health/live': (_req, res) => sendState(res, 200, 'live'),
    '/health/ready': async (_req, res) => {
      const isReady = !isStopping() && (await store.isReady());
      if (!isReady) res.set('Retry-After', '5');
      // a policy file that is broken now is no reason to take no readings: the earlier policy is in force
      const detail = { policy: { version: policy.current.version, lastReloadFailed: policy.lastReloadFailed } };
      sendState(res, isReady ? 200 : 503, isReady ? 'ready' : 'not-ready', detail);
    },
    '/metrics': async (_req, res) => {
      const text = await metrics.text();
      res.status(200).set('Content-Type', metrics.contentType).end(text);
    },
  };
  for (const [path, handle] of Object.entries(pages)) {
    const route = app.route(path);
    route.all((_req, res, next) => {
      notesOf(res).route = path;
      next();
    });
    if (path === '/metrics') route.get(...whoCalls, guard(serving.auth, TO_OPERATE), handle);
    else route.get(guard(serving.auth, OPEN), handle);
    refuseOtherMethods(route, [{ method: 'get' }]);
  }
}

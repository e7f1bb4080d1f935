/**
 * Pages outside `/fhir`: one definition mounts a page and describes it in the API description.
 */
import type { Express } from 'express';
import type { Auth } from './auth/auth.ts';
import { guard } from './auth/door.ts';
import type { Need } from './auth/needs.ts';
import { refuseOtherMethods } from './fhir-router.ts';
import type { Description } from './openapi/description.ts';
import { notesOf } from './request-notes.ts';
import type { Handler, RequestHandler } from './serving.ts';

/** Served by GET and HEAD. */
export interface Page {
  /** As express writes it. */
  readonly path: string;
  readonly need: Need;
  readonly says: Description;
  readonly handle: Handler;
}

/** @param whoCalls finds out who calls, for the pages that need it; nothing when that is known by now */
export function mountPages(app: Express, auth: Auth, pages: readonly Page[], whoCalls: readonly RequestHandler[] = []): void {
  for (const { path, need, handle } of pages) {
    const route = app.route(path);
    route.all((_req, res, next) => {
      notesOf(res).route = path;
      next();
    });
    route.get(...(need.kind === 'nothing' ? [] : whoCalls), guard(auth, need), handle);
    refuseOtherMethods(route, [{ method: 'get' }]);
  }
}

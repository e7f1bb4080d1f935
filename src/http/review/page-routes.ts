/** How routes of pages for people are mounted: each is let in by somebody, recorded, and under one policy. */
import express, { type Router } from 'express';
import { noteAccess, type Access } from '../audit/audit-calls.ts';
import { refuseOtherMethods } from '../fhir-router.ts';
import { notesOf } from '../request-notes.ts';
import type { Handler, RequestHandler } from '../serving.ts';
import type { Door } from '../sign-in/door.ts';
import { PAGE_POLICY } from './page-policy.ts';
import { letIn, takeForm } from './visitor.ts';

export interface PageRoute {
  readonly method: 'get' | 'post';
  /** Below the base of its router. */
  readonly path: string;
  readonly handle: Handler;
  /** Absent for what shows nothing of anybody. */
  readonly access?: Access;
  /** What reads its form, when `takeForm` is not for it. */
  readonly takes?: readonly RequestHandler[];
  /** Shows nothing of anybody, and is there for whoever asks. */
  readonly isOpen?: boolean;
}

/** @param base address that the router is mounted at */
export function pageRouter(door: Door, base: string, routes: readonly PageRoute[]): Router {
  const router = express.Router({ caseSensitive: true, strict: false });
  for (const [path, group] of byPath(routes)) {
    const route = router.route(path);
    route.all((_req, res, next) => {
      notesOf(res).route = path === '/' ? base : `${base}${path}`;
      res.set('Content-Security-Policy', PAGE_POLICY);
      next();
    });
    for (const { method, handle, access, takes = takeForm, isOpen = false } of group) {
      const before = isOpen ? [] : [letIn(door), ...(method === 'post' ? takes : [])];
      route[method](...(access ? [noteAccess(access)] : []), ...before, handle);
    }
    refuseOtherMethods(route, group);
  }
  // whoever sends a form is looked at before they are told whether there is something to send it to
  router.post('/{*elsewhere}', letIn(door), ...takeForm);
  return router;
}

function byPath(routes: readonly PageRoute[]): ReadonlyMap<string, readonly PageRoute[]> {
  const groups = new Map<string, PageRoute[]>();
  for (const route of routes) groups.set(route.path, [...(groups.get(route.path) ?? []), route]);
  return groups;
}

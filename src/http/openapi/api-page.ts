/**
 * `GET /openapi.json`: the API description of this service, made once from the very routes that
 * are mounted.
 */
import { FHIR_PATH } from '../../addresses.ts';
import { OPEN } from '../auth/needs.ts';
import { mediaTypesOf } from '../body.ts';
import { routesOf } from '../fhir-router.ts';
import type { Page } from '../page.ts';
import type { Serving } from '../serving.ts';
import { apiDescription, type DescribedRoute } from './document.ts';

/** @param unlimited pages that stand before the limits. @param limited those behind them */
export function apiPage(serving: Serving, unlimited: readonly Page[], limited: readonly Page[]): Page {
  let text: string | undefined;
  const page: Page = {
    path: '/openapi.json',
    need: OPEN,
    says: {
      summary: 'This description',
      means: 'OpenAPI 3.1.0.',
      answers: { 200: { means: 'The description.', media: ['application/json'] } },
    },
    handle: (_req, res) => {
      text ??= JSON.stringify(
        apiDescription(describedRoutes(serving, unlimited, [...limited, page]), {
          server: serverOf(serving.baseUrl),
          version: serving.version,
          asksForTokens: serving.auth.tokens !== undefined,
        }),
      );
      res.status(200).type('application/json').end(text);
    },
  };
  return page;
}

/** Every route that is mounted, as it is described. A dollar sign stands for its percent-encoded form too. */
export function describedRoutes(serving: Serving, unlimited: readonly Page[], limited: readonly Page[]): DescribedRoute[] {
  const ofPages = (pages: readonly Page[], isLimited: boolean): DescribedRoute[] =>
    pages.map(({ path, need, says }) => ({ method: 'get', path, need, says, takes: [], isFhir: false, isLimited }));
  const ofFhir = routesOf(serving)
    .filter(({ path }) => !path.includes('%24'))
    .map(({ method, path, need, says, before }): DescribedRoute => {
      return { method, path: `${FHIR_PATH}${path}`, need, says, takes: mediaTypesOf(before), isFhir: true, isLimited: true };
    });
  return [...ofFhir, ...ofPages(limited, true), ...ofPages(unlimited, false)];
}

/** Behind a proxy that gives the FHIR base another path, only its host is known of the other pages. */
function serverOf(baseUrl: string): string {
  return baseUrl.endsWith(FHIR_PATH) ? baseUrl.slice(0, -FHIR_PATH.length) || '/' : new URL(baseUrl).origin;
}

/**
 * Makes the HTTP application; never listens. The order of the middleware is the order of doubt:
 * first what can be told from the first lines, then the format, then the body, then the reading.
 */
import express, { type Express } from 'express';
import helmet from 'helmet';
import { auditCalls } from './audit/audit-calls.ts';
import { identifyCaller } from './auth/door.ts';
import { keepLanes } from './client-lanes.ts';
import { answerErrors, nothingHere } from './error-handler.ts';
import { FHIR_PATH } from '../addresses.ts';
import { limitFailedLogins } from './failed-logins.ts';
import { fhirRouter } from './fhir-router.ts';
import { checkFirstLines } from './gate.ts';
import { DEFAULT_LIMITS } from './limits.ts';
import { beginWithoutBody, LoadGate, shedLoad } from './load-shedding.ts';
import { negotiateFormat } from './negotiation.ts';
import { apiPage } from './openapi/api-page.ts';
import { operationsPages } from './operations.ts';
import { mountPages } from './page.ts';
import { limitRate } from './rate-limit.ts';
import { keepNotes } from './request-notes.ts';
import { REVIEW_PATH, reviewPages, TRY_PATH, tryPages } from './review/pages.ts';
import { rulesPages } from './rules-page.ts';
import { identifyVisitor } from './sign-in/identify-visitor.ts';
import { underOwnName } from './sign-in/open-host.ts';
import { mountSignIn } from './sign-in/routes.ts';
import type { RequestHandler, Serving } from './serving.ts';

export function createApp(serving: Serving): Express {
  const app = express();
  app.disable('x-powered-by');
  app.disable('etag');
  app.enable('case sensitive routing');
  // queries are parsed by search/query.ts; nested objects made from client names are never wanted
  app.set('query parser', false);
  app.use(keepNotes(serving), auditCalls(serving), securityHeaders(), checkFirstLines);
  const { limits = DEFAULT_LIMITS } = serving;
  const whoCalls = [limitFailedLogins(limits), identifyCaller(serving.auth)];
  // before the limits: whoever watches the service must see it when it is full
  const unlimited = operationsPages(serving);
  mountPages(app, serving.auth, unlimited, whoCalls);
  app.use(
    shedLoad(new LoadGate({ ...serving, limits })),
    ...whoCalls,
    identifyVisitor(serving),
    limitRate(limits),
    keepLanes(limits),
    beginWithoutBody,
  );
  const limited = rulesPages(serving);
  mountPages(app, serving.auth, [...limited, apiPage(serving, unlimited, limited)]);
  mountSignIn(app, serving);
  app.use(REVIEW_PATH, reviewPages(serving));
  app.use(TRY_PATH, tryPages(serving));
  app.use(FHIR_PATH, noStore, underOwnName(serving), negotiateFormat, fhirRouter(serving));
  app.use(nothingHere);
  app.use(answerErrors(serving));
  return app;
}

/** Measurements of people are for the caller alone. */
const noStore: RequestHandler = (_req, res, next) => {
  res.set('Cache-Control', 'no-store');
  next();
};

function securityHeaders(): RequestHandler {
  return helmet({
    contentSecurityPolicy: {
      useDefaults: false,
      directives: {
        defaultSrc: ["'none'"],
        objectSrc: ["'none'"],
        baseUri: ["'none'"],
        formAction: ["'none'"],
        frameAncestors: ["'none'"],
      },
    },
    // ward networks speak plain http: browsers must not be told to upgrade
    strictTransportSecurity: false,
    crossOriginEmbedderPolicy: { policy: 'require-corp' },
    referrerPolicy: { policy: 'no-referrer' },
  });
}

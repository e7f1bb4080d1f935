/**
 * The service with pages of the test's own behind the real door, on a free loopback port: what they
 * show is whom they were opened to. Everything else is the real app.
 */
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import express from 'express';
import { DEFAULT_POLICY } from '../../../src/core/policy.ts';
import { AuditTrail } from '../../../src/audit-trail.ts';
import { createApp } from '../../../src/http/app.ts';
import type { Auth } from '../../../src/http/auth/auth.ts';
import { answerErrors } from '../../../src/http/error-handler.ts';
import { callOf, keepNotes } from '../../../src/http/request-notes.ts';
import { DEFAULT_LIMITS } from '../../../src/http/limits.ts';
import { formOf, letIn, mayAs, takeForm, visitorOf } from '../../../src/http/review/visitor.ts';
import { attachApp, createHttpServer } from '../../../src/http/server.ts';
import type { Serving } from '../../../src/http/serving.ts';
import { identifyVisitor } from '../../../src/http/sign-in/identify-visitor.ts';
import { OpenIdProvider } from '../../../src/http/sign-in/provider.ts';
import { mountSignIn } from '../../../src/http/sign-in/routes.ts';
import { Sessions } from '../../../src/http/sign-in/sessions.ts';
import type { SignIn } from '../../../src/http/sign-in/sign-in.ts';
import { createLog } from '../../../src/log.ts';
import { createMetrics } from '../../../src/metrics.ts';
import type { Clock, KeptStore } from '../../../src/ports.ts';
import type { SignInSettings } from '../../../src/settings-sign-in.ts';
import { openSqliteStore } from '../../../src/store/sqlite.ts';
import { scriptedIntake } from '../edge.ts';
import { CLIENT_ID } from './ward-provider.ts';

/** A clock that goes on as time does, from where a test puts it. */
export class DrillClock implements Clock {
  offsetMs = 0;
  nowMs(): number {
    return Date.now() + this.offsetMs;
  }
}

/** Somebody has to show a token for `/fhir`; none is taken. */
export const TOKENS_ASKED: Auth = {
  tokens: { holderOf: () => Promise.reject(new Error('no token is good here')), issuer: 'https://id.example' },
};

export interface Pages {
  readonly origin: string;
  readonly port: number;
  readonly store: KeptStore;
  readonly clock: DrillClock;
  readonly logLines: readonly string[];
  /** From now on people sign in there. */
  signInAt(issuer: string, changes?: Partial<SignInSettings>): void;
  close(): Promise<void>;
}

interface Options {
  readonly auth: Auth;
  /** What another replica has open already. */
  readonly store?: KeptStore;
  readonly clock?: DrillClock;
  /** In place of that of `DEFAULT_LIMITS`. */
  readonly failedLoginsPerAddress?: number;
  /** As if behind a proxy that speaks https. */
  readonly origin?: string;
}

export async function startPages({
  auth,
  store: given,
  clock = new DrillClock(),
  origin: shownAs,
  failedLoginsPerAddress,
}: Options): Promise<Pages> {
  const store = given ?? (await openSqliteStore(':memory:', { clock }));
  const server = createHttpServer();
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  const origin = `http://127.0.0.1:${port}`;
  const logLines: string[] = [];
  const log = createLog('info', { write: (line: string) => void logLines.push(line) });
  const base: Serving = {
    auth,
    intake: () => scriptedIntake({}),
    store,
    audit: new AuditTrail({ store, clock, log }),
    artefacts: [],
    rules: [],
    examples: new Map(),
    policy: { current: DEFAULT_POLICY, lastReloadFailed: false },
    metrics: createMetrics(store, clock),
    log,
    baseUrl: `${origin}/fhir`,
    version: '0.0.0-test',
    startedAt: '2026-11-25T10:00:00.000Z',
    forwards: true,
    clock,
    subscriptions: { targets: [], added: () => undefined },
    isStopping: () => false,
    ...(failedLoginsPerAddress !== undefined && { limits: { ...DEFAULT_LIMITS, failedLoginsPerAddress } }),
  };
  let app = appOf(base);
  attachApp(server, (req, res) => app(req, res));
  return {
    origin,
    port,
    store,
    clock,
    logLines,
    signInAt: (issuer, changes = {}) => {
      const settings = {
        issuer,
        clientId: CLIENT_ID,
        scope: 'openid profile',
        rolesClaim: 'roles',
        reviewer: 'reviewer',
        engineer: 'engineer',
        ...changes,
      };
      const sites = shownAs ?? origin;
      const provider = new OpenIdProvider({ settings, origin: sites, clock, report: (event) => log.identityProvider(event) });
      const signIn: SignIn = { origin: sites, provider, sessions: new Sessions(store, clock), rolesClaim: settings.rolesClaim };
      app = appOf({ ...base, signIn });
    },
    close: async () => {
      server.close();
      server.closeAllConnections();
      if (given === undefined) await store.close();
    },
  };
}

function appOf(serving: Serving): express.Express {
  const inner = createApp(serving);
  const outer = express();
  outer.set('query parser', false);
  outer.use((req, res, next) => (/^\/(review|try)/.test(req.path) ? next() : inner(req, res)));
  outer.use(keepNotes(serving), identifyVisitor(serving));
  mountSignIn(outer, serving);
  const pages = express.Router();
  const show: express.RequestHandler = (req, res) => {
    const { name, roles, formToken, isOpen } = visitorOf(res);
    const { caller } = callOf(res);
    const { interactions, roles: granted } = caller.grants ?? {};
    const grants = caller.grants && { interactions: [...(interactions ?? [])], roles: [...(granted ?? [])] };
    res.status(200).end(JSON.stringify({ at: req.originalUrl, name, roles: [...roles], formToken, isOpen, caller: { ...caller, grants } }));
  };
  pages.get('/engineers', mayAs('engineer'), show);
  pages.post('/decide', ...takeForm, (req, res) => void res.status(200).end(`done: ${formOf(req).get('decision') ?? ''}`));
  pages.get('/{*rest}', show);
  outer.use(['/review', '/try'], letIn(serving), pages);
  outer.use(answerErrors(serving));
  return outer;
}

/** What a page showed. */
export function shown({ text }: { readonly text: string }) {
  return JSON.parse(text) as {
    readonly at: string;
    readonly name?: string;
    readonly roles: readonly string[];
    readonly formToken: string;
    readonly isOpen: boolean;
    readonly caller: Record<string, unknown>;
  };
}

/** The audit events of signing in and out and of being turned away, oldest first: code, outcome and why. */
export async function signInEvents(store: KeptStore): Promise<(readonly (string | undefined)[])[]> {
  const { events } = await store.audit.search({ count: 200 });
  return events
    .map(({ text }) => [
      /"code":"(sign-[a-z-]+|access-refused)"/.exec(text)?.[1],
      /"outcome":"(\d)"/.exec(text)?.[1],
      /"type":"reason","valueString":"([^"]+)"/.exec(text)?.[1],
    ])
    .filter(([code]) => code !== undefined)
    .reverse();
}

/**
 * Mounts the served table. A path that is served with another method answers 405 with Allow.
 */
import express, { type Router } from 'express';
import { FHIR_PATH } from '../addresses.ts';
import { ServiceError } from '../errors.ts';
import type { StoredType } from '../ports.ts';
import { noteAccess, type Access } from './audit/audit-calls.ts';
import { readAuditEvent, searchAuditEvents } from './audit-events.ts';
import { guard } from './auth/door.ts';
import { EACH_ENTRY, needOfInteraction, needOfOperation, OPEN, TO_EXPORT, type Need } from './auth/needs.ts';
import { readSmartConfiguration } from './auth/smart-configuration.ts';
import { readArtefact, searchArtefacts } from './artefacts.ts';
import { beginExport, deleteExport, readExportFile, statusOfExport } from './bulk-export.ts';
import { takeFormBody, takeJsonBody } from './body.ts';
import { takeBundle } from './bundle-intake.ts';
import { readCapabilities } from './capability.ts';
import { correctObservation, createObservation } from './observation-intake.ts';
import { claimObservation, decideObservation, undoDecision } from './observation-decisions.ts';
import { assessObservation, validateObservation } from './observation-operations.ts';
import { searchObservations } from './observation-search.ts';
import { putRegistry, searchRegistry } from './registry.ts';
import type { Description } from './openapi/description.ts';
import { describeInteraction, describeOperation } from './openapi/fhir-calls.ts';
import { BUNDLE_CALL, METADATA_CALL, SMART_CALL } from './openapi/system-calls.ts';
import { EXPORT_CALL, EXPORT_DELETE_CALL, EXPORT_FILE_CALL, EXPORT_STATUS_CALL } from './openapi/export-calls.ts';
import { notesOf } from './request-notes.ts';
import { affectedByScale, recallScale } from './scale-operations.ts';
import { SERVED, type Interaction, type ServedOperation, type ServedResource } from './served.ts';
import type { Handler, RequestHandler, Serving } from './serving.ts';
import { readStored, readStoredHistory, readStoredVersion } from './stored-resource.ts';
import {
  createSubscription,
  deleteSubscription,
  eventsOfSubscription,
  readSubscriptionById,
  searchSubscriptions,
  statusOfSubscription,
} from './subscriptions.ts';

export interface Route {
  readonly method: 'get' | 'post' | 'put' | 'delete';
  /** Below `/fhir`, as express writes it. */
  readonly path: string;
  readonly need: Need;
  readonly before: readonly RequestHandler[];
  readonly handle: Handler;
  /** For the API description. */
  readonly says: Description;
  /** Absent for what reveals nothing of anybody. */
  readonly access?: Access;
}

export function fhirRouter(serving: Serving): Router {
  const router = express.Router({ caseSensitive: true, strict: false });
  for (const [path, group] of byPath(routesOf(serving))) {
    const route = router.route(path);
    route.all((_req, res, next) => {
      notesOf(res).route = `${FHIR_PATH}${path}`;
      next();
    });
    for (const { method, need, before, handle, access } of group) {
      // what is refused at the door is recorded too
      route[method](...(access ? [noteAccess(access)] : []), guard(serving.auth, need), ...before, handle);
    }
    refuseOtherMethods(route, group);
  }
  return router;
}

/** Every route below `/fhir`, with what a caller needs for it. */
export function routesOf(serving: Serving): Route[] {
  return [...systemRoutes(serving), ...SERVED.flatMap((served) => resourceRoutes(serving, served))];
}

/** `_search` and `$…` before `:id`, which would take them for an id. */
function byPath(routes: readonly Route[]): [string, Route[]][] {
  const groups = new Map<string, Route[]>();
  for (const route of routes) groups.set(route.path, [...(groups.get(route.path) ?? []), route]);
  return [...groups].sort(([a], [b]) => Number(a.includes(':')) - Number(b.includes(':')));
}

/** Answers 405 with Allow to whatever method `group` does not serve. */
export function refuseOtherMethods(route: ReturnType<Router['route']>, group: readonly { readonly method: string }[]): void {
  const methods = group.map(({ method }) => method.toUpperCase());
  const allow = [...methods, ...(methods.includes('GET') ? ['HEAD'] : [])].join(', ');
  route.all((_req, res) => {
    res.set('Allow', allow);
    throw new ServiceError('ERR_METHOD', `This address is served with ${allow} only.`);
  });
}

function systemRoutes(serving: Serving): Route[] {
  return [
    { method: 'get', path: '/metadata', need: OPEN, before: [], handle: readCapabilities(serving), says: METADATA_CALL },
    {
      method: 'get',
      path: '/.well-known/smart-configuration',
      need: OPEN,
      before: [],
      handle: readSmartConfiguration(serving),
      says: SMART_CALL,
    },
    {
      method: 'post',
      path: '/',
      need: EACH_ENTRY,
      before: takeJsonBody,
      handle: takeBundle(serving),
      says: BUNDLE_CALL,
      access: { interaction: 'batch' },
    },
    ...exportRoutes(serving),
  ];
}

function exportRoutes(serving: Serving): Route[] {
  const access: Access = { interaction: 'operation', event: 'export' };
  return DOLLARS.flatMap((dollar): Route[] => {
    const [whole, job] = [`/${dollar}export`, `/${dollar}export/:id`];
    const route = { need: TO_EXPORT, before: [] };
    return [
      { ...route, method: 'get', path: whole, handle: beginExport(serving), says: EXPORT_CALL, access },
      // how far it is says nothing of anybody
      { ...route, method: 'get', path: job, handle: statusOfExport(serving), says: EXPORT_STATUS_CALL },
      { ...route, method: 'delete', path: job, handle: deleteExport(serving), says: EXPORT_DELETE_CALL, access },
      { ...route, method: 'get', path: `${job}/:part`, handle: readExportFile(serving), says: EXPORT_FILE_CALL, access },
    ];
  });
}

function resourceRoutes(serving: Serving, served: ServedResource): Route[] {
  const routes = served.interactions.flatMap((interaction) => interactionRoutes(serving, served, interaction));
  return [...routes, ...(served.operations ?? []).flatMap((operation) => operationRoutes(serving, served, operation))];
}

/** Some clients percent-encode the dollar sign, which express takes for another path. */
const DOLLARS = ['$', '%24'];

const OPERATIONS: Readonly<Record<ServedOperation['name'], (serving: Serving) => Handler>> = {
  validate: validateObservation,
  assess: assessObservation,
  decide: decideObservation,
  undo: undoDecision,
  claim: claimObservation,
  affected: affectedByScale,
  recall: recallScale,
  status: statusOfSubscription,
  events: eventsOfSubscription,
};

function operationRoutes(serving: Serving, { type }: ServedResource, operation: ServedOperation): Route[] {
  const { name, level, methods } = operation;
  const need = needOfOperation(operation);
  const place = level === 'type' ? `/${type}` : `/${type}/:id`;
  const handle = OPERATIONS[name](serving);
  return DOLLARS.flatMap((dollar) =>
    methods.map((method): Route => ({
      method,
      path: `${place}/${dollar}${name}`,
      need,
      before: method === 'post' ? takeJsonBody : [],
      handle,
      says: describeOperation(operation, method),
      access: { interaction: 'operation', ...(name !== 'status' && { event: name }), type },
    })),
  );
}

function interactionRoutes(serving: Serving, served: ServedResource, interaction: Interaction): Route[] {
  const access = served.kind === 'artefact' ? {} : { access: { interaction, type: served.type } };
  return handlersOf(serving, served, interaction).map((route) => ({
    ...route,
    says: describeInteraction(served, interaction, route.method),
    ...access,
  }));
}

function handlersOf(serving: Serving, served: ServedResource, interaction: Interaction): Omit<Route, 'says'>[] {
  const { type } = served;
  const need = needOfInteraction(served, interaction);
  const get = (path: string, handle: Handler): Omit<Route, 'says'> => ({ method: 'get', path, need, before: [], handle });
  switch (interaction) {
    case 'create': {
      const handle = served.kind === 'subscription' ? createSubscription(serving) : createObservation(serving);
      return [{ method: 'post', path: `/${type}`, need, before: takeJsonBody, handle }];
    }
    case 'update': {
      const handle = served.kind === 'registry' ? putRegistry(serving, served.type) : correctObservation(serving);
      return [{ method: 'put', path: `/${type}/:id`, need, before: takeJsonBody, handle }];
    }
    case 'delete':
      return [{ method: 'delete', path: `/${type}/:id`, need, before: [], handle: deleteSubscription(serving) }];
    case 'read':
      return [get(`/${type}/:id`, readHandler(serving, served))];
    case 'vread':
      return isVersioned(served) ? [get(`/${type}/:id/_history/:version`, readStoredVersion(serving, served.type))] : [];
    case 'history-instance':
      return isVersioned(served) ? [get(`/${type}/:id/_history`, readStoredHistory(serving, served.type))] : [];
    case 'search-type': {
      const handle = searchHandler(serving, served);
      return [get(`/${type}`, handle), { method: 'post', path: `/${type}/_search`, need, before: takeFormBody, handle }];
    }
  }
}

function isVersioned(served: ServedResource): served is Extract<ServedResource, { readonly type: StoredType }> {
  return served.kind !== 'artefact' && served.kind !== 'audit' && served.kind !== 'subscription';
}

function readHandler(serving: Serving, served: ServedResource): Handler {
  if (served.kind === 'audit') return readAuditEvent(serving);
  if (served.kind === 'subscription') return readSubscriptionById(serving);
  return served.kind === 'artefact' ? readArtefact(serving, served.type) : readStored(serving, served.type);
}

function searchHandler(serving: Serving, served: ServedResource): Handler {
  if (served.kind === 'reading') return searchObservations(serving);
  if (served.kind === 'audit') return searchAuditEvents(serving);
  if (served.kind === 'subscription') return searchSubscriptions(serving);
  return served.kind === 'artefact' ? searchArtefacts(serving, served.type) : searchRegistry(serving, served.type);
}

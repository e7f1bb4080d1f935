/**
 * Subscription: made, read, searched and deleted; how one stands, and its events again. Who is told
 * when, and how, is the notifier's.
 */
import { randomUUID } from 'node:crypto';
import { toInstant } from '../core/fhir-time.ts';
import { isJsonObject, parseExactJson, stringifyExact, type JsonObject } from '../core/json.ts';
import { subscriptionStatus, writeNotification } from '../core/notification.ts';
import { CONTENTS, channelIn, isAllowedTarget, readSubscription, type RequestedSubscription } from '../core/subscription.ts';
import { ServiceError } from '../errors.ts';
import type { StoredSubscription } from '../ports.ts';
import { sendFhir } from './answer.ts';
import { readJsonBody } from './body.ts';
import { preferencesOf } from './negotiation.ts';
import { searchParametersOf } from './observation-search.ts';
import { idOf, notFound } from './path-id.ts';
import { callOf } from './request-notes.ts';
import { writeQuery, type QueryParameter } from './search/query.ts';
import { badParameter, unservedParameter } from './search/refusals.ts';
import { writeSearchset } from './search/searchset.ts';
import { SUBSCRIPTION_PARAMETERS, type SearchedSubscription } from './search/subscription-query.ts';
import type { Handler, Request, Serving } from './serving.ts';

/** Each is asked about every second, and a search shows all of them on one page. */
const MOST_SUBSCRIPTIONS = 50;
const MOST_EVENTS = 100;

export function createSubscription({ store, clock, subscriptions, baseUrl }: Serving): Handler {
  return async (req, res) => {
    if (subscriptions.targets.length === 0)
      throw new ServiceError(
        'ERR_UNKNOWN_TYPE',
        'No Subscription is taken here: the operator allows no endpoint (STEELYARD_SUBSCRIPTION_TARGETS).',
      );
    const nowMs = clock.nowMs();
    const requested = requestedIn(req, nowMs);
    if (!isAllowedTarget(requested.endpoint, subscriptions.targets))
      throw new ServiceError(
        'ERR_BAD_VALUE',
        'The endpoint is not among those that the operator allows (STEELYARD_SUBSCRIPTION_TARGETS). Ask them to list it.',
        { expression: 'Subscription.channel.endpoint' },
      );
    const { content, filter, endsMs } = requested;
    const stored = await store.subscriptions.add(
      { id: randomUUID(), text: stringifyExact(content), filter, ...(endsMs !== undefined && { endsMs }) },
      MOST_SUBSCRIPTIONS,
      nowMs,
      callOf(res),
    );
    if (stored === undefined)
      throw new ServiceError('ERR_CONFLICT', `There are ${MOST_SUBSCRIPTIONS} Subscriptions already. Delete one that nobody needs.`);
    subscriptions.added();
    const isMinimal = preferencesOf(req).return === 'minimal';
    sendFhir(res, {
      status: 201,
      location: `${baseUrl}/Subscription/${stored.id}`,
      ...(!isMinimal && { text: stringifyExact(resourceOf(stored)) }),
    });
  };
}

function requestedIn(req: Request, nowMs: number): RequestedSubscription {
  const read = readSubscription(readJsonBody(req).value, nowMs);
  if (read.ok) return read.subscription;
  const { kind, message, expression } = read.problem;
  throw new ServiceError(kind === 'value' ? 'ERR_BAD_VALUE' : 'ERR_NOT_SUPPORTED', message, { expression });
}

/** What was taken, and what the service says of it. */
function resourceOf({ id, text, state, error, updatedAt }: StoredSubscription): JsonObject {
  const { resourceType, ...rest } = contentOf(text);
  return {
    resourceType: resourceType ?? 'Subscription',
    id,
    meta: { lastUpdated: updatedAt },
    status: state,
    ...rest,
    ...(error !== undefined && { error }),
  };
}

function contentOf(text: string): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok || !isJsonObject(parsed.value)) throw new Error('a stored Subscription cannot be read');
  return parsed.value;
}

async function found(req: Request, { store, clock }: Serving): Promise<StoredSubscription> {
  const subscription = await store.subscriptions.find(idOf(req), clock.nowMs());
  if (subscription === undefined) throw notFound();
  return subscription;
}

export function readSubscriptionById(serving: Serving): Handler {
  return async (req, res) => sendFhir(res, { status: 200, text: stringifyExact(resourceOf(await found(req, serving))) });
}

export function deleteSubscription({ store, clock }: Serving): Handler {
  return async (req, res) => {
    if (!(await store.subscriptions.remove(idOf(req), clock.nowMs(), callOf(res)))) throw notFound();
    sendFhir(res, { status: 204 });
  };
}

export function searchSubscriptions({ store, clock, baseUrl }: Serving): Handler {
  return async (req, res) => {
    const used = searchParametersOf(req).filter((parameter) => isServed(parameter, preferencesOf(req).lenient));
    const matchers = used.flatMap(({ name, value }) => SUBSCRIPTION_PARAMETERS[name]?.matcher(name, value) ?? []);
    const all = await store.subscriptions.list(clock.nowMs());
    const entries = all
      .filter((one) => matchers.every((matches) => matches(searchedOf(one))))
      .map((one) => ({ fullUrl: `${baseUrl}/Subscription/${one.id}`, text: stringifyExact(resourceOf(one)), mode: 'match' as const }));
    const self = used.length === 0 ? `${baseUrl}/Subscription` : `${baseUrl}/Subscription?${writeQuery(used)}`;
    sendFhir(res, { status: 200, text: writeSearchset({ total: entries.length, links: [{ relation: 'self', url: self }], entries }) });
  };
}

function isServed({ name, value }: QueryParameter, lenient: boolean): boolean {
  const isKnown = Object.hasOwn(SUBSCRIPTION_PARAMETERS, name) || name === '_format';
  if (!isKnown && !lenient) throw unservedParameter(name, 'is not served for Subscription.');
  if (isKnown && value === '') throw badParameter(name, 'has no value.');
  return isKnown;
}

function searchedOf({ id, state, text }: StoredSubscription): SearchedSubscription {
  return { id, status: state, endpoint: channelIn(contentOf(text)).endpoint };
}

/** `$status` of the guide Subscriptions R5 Backport, on one Subscription. */
export function statusOfSubscription(serving: Serving): Handler {
  return async (req, res) => {
    const { id, state, numbered } = await found(req, serving);
    const { baseUrl } = serving;
    const text = stringifyExact(
      subscriptionStatus({ baseUrl, subscriptionId: id, status: state, kind: 'query-status', eventsSinceStart: numbered }),
    );
    const links = [{ relation: 'self' as const, url: `${baseUrl}/Subscription/${id}/$status` }];
    sendFhir(res, {
      status: 200,
      text: writeSearchset({ total: 1, links, entries: [{ fullUrl: `urn:uuid:${randomUUID()}`, text, mode: 'match' }] }),
    });
  };
}

/** `$events` of the same guide: what was told, again, and what is not told yet. */
export function eventsOfSubscription(serving: Serving): Handler {
  return async (req, res) => {
    const { store, clock, baseUrl } = serving;
    const { id, state, text } = await found(req, serving);
    const { from, to, content = channelIn(contentOf(text)).contentKind } = rangeIn(searchParametersOf(req), preferencesOf(req).lenient);
    const range = { to, limit: MOST_EVENTS, ...(from !== undefined && { from }) };
    const page = await store.subscriptions.events(id, range, clock.nowMs());
    if (page === undefined) throw notFound();
    if (from !== undefined && from < page.firstKept && page.firstKept > 1)
      throw badParameter(
        'eventsSinceNumber',
        `lies before ${page.firstKept}, the first event that is still kept. Fetch what is older by $export, or by a search with _lastUpdated.`,
      );
    sendFhir(res, {
      status: 200,
      text: writeNotification({
        baseUrl,
        subscriptionId: id,
        status: state,
        kind: 'query-event',
        eventsSinceStart: page.numbered,
        events: page.events,
        content,
        at: toInstant(clock.nowMs()),
        uuid: randomUUID(),
      }),
    });
  };
}

interface EventRange {
  from?: number;
  to: number;
  content?: RequestedSubscription['contentKind'];
}

function rangeIn(parameters: readonly QueryParameter[], lenient: boolean): EventRange {
  const range: EventRange = { to: Number.MAX_SAFE_INTEGER };
  for (const { name, value } of parameters) {
    if (name === 'eventsSinceNumber') range.from = numberIn(name, value);
    else if (name === 'eventsUntilNumber') range.to = numberIn(name, value);
    else if (name === 'content') {
      const content = CONTENTS.find((one) => one === value);
      if (content === undefined) throw badParameter(name, `must be ${CONTENTS.join(', ')}.`);
      range.content = content;
    } else if (name !== '_format' && !lenient) throw unservedParameter(name, 'is not served for $events.');
  }
  return range;
}

function numberIn(name: string, value: string): number {
  if (!/^\d{1,15}$/.test(value)) throw badParameter(name, 'must be the number of an event, from 1.');
  return Math.max(1, Number(value));
}

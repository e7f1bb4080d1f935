/**
 * What a subscriber is sent and given again: a Bundle of type `history` whose first entry says which
 * events it holds, in the form of the HL7 guide "Subscriptions R5 Backport" 1.1.0 for R4 (profiles
 * backport-subscription-notification-r4 and backport-subscription-status-r4). Put together from
 * stored texts, so that no digit changes.
 */
import type * as fhir4 from 'fhir/r4.js';
import type { PayloadContent } from './subscription.ts';

const STATUS_PROFILE = 'http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription-status-r4';
const NOTIFICATION_PROFILE = 'http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription-notification-r4';

/** `query-event` answers the operation `$events`. */
export type NotificationKind = 'handshake' | 'event-notification' | 'query-event';

export interface NotifiedEvent {
  readonly number: number;
  /** When it was numbered, a FHIR instant. */
  readonly at: string;
  /** Absent for what was removed for good since. */
  readonly resource?: { readonly id: string; readonly version: number; readonly lastUpdated: string; readonly text: string };
}

export interface Notification {
  /** Our FHIR base, without a slash at its end. */
  readonly baseUrl: string;
  readonly subscriptionId: string;
  readonly status: fhir4.Subscription['status'];
  readonly kind: NotificationKind;
  /** The number of the last event that there is, told of or not. */
  readonly eventsSinceStart: number;
  readonly events: readonly NotifiedEvent[];
  readonly content: PayloadContent;
  /** Instant at which it is put together. */
  readonly at: string;
  /** For the first entry, which is no resource of ours: a UUID. */
  readonly uuid: string;
}

export function writeNotification(notification: Notification): string {
  const { at, events, content } = notification;
  const head = JSON.stringify({ resourceType: 'Bundle', meta: { profile: [NOTIFICATION_PROFILE] }, type: 'history', timestamp: at });
  const entries = [statusEntry(notification), ...(content === 'empty' ? [] : events.flatMap((event) => eventEntry(event, notification)))];
  return `${head.slice(0, -1)},"entry":[${entries.join(',')}]}`;
}

type Status = Pick<Notification, 'baseUrl' | 'subscriptionId' | 'status' | 'eventsSinceStart'> & {
  /** `query-status` answers the operation `$status`. */
  readonly kind: NotificationKind | 'query-status';
} & Partial<Pick<Notification, 'events' | 'content'>>;

/** How a subscription stands, and which events a Bundle holds. */
export function subscriptionStatus({
  baseUrl,
  subscriptionId,
  status,
  kind,
  eventsSinceStart,
  events = [],
  content = 'empty',
}: Status): fhir4.Parameters {
  return {
    resourceType: 'Parameters',
    meta: { profile: [STATUS_PROFILE] },
    parameter: [
      { name: 'subscription', valueReference: { reference: `${baseUrl}/Subscription/${subscriptionId}` } },
      { name: 'status', valueCode: status },
      { name: 'type', valueCode: kind },
      { name: 'events-since-subscription-start', valueString: String(eventsSinceStart) },
      ...events.map(({ number, at, resource }) => ({
        name: 'notification-event',
        part: [
          { name: 'event-number', valueString: String(number) },
          { name: 'timestamp', valueInstant: at },
          ...(resource === undefined || content === 'empty'
            ? []
            : [{ name: 'focus', valueReference: { reference: `${baseUrl}/Observation/${resource.id}` } }]),
        ],
      })),
    ],
  };
}

function statusEntry(notification: Notification): string {
  const { baseUrl, subscriptionId, uuid } = notification;
  const subscription = `${baseUrl}/Subscription/${subscriptionId}`;
  const parameters = subscriptionStatus(notification);
  // R4 bdl-4 asks for a request; the guide has it look like the call that gives this status
  const request = { method: 'GET', url: `${subscription}/$status` };
  return JSON.stringify({ fullUrl: `urn:uuid:${uuid}`, resource: parameters, request, response: { status: '200' } });
}

function eventEntry({ resource }: NotifiedEvent, { baseUrl, content }: Notification): string[] {
  if (resource === undefined) return [];
  const { id, version, lastUpdated, text } = resource;
  const fullUrl = JSON.stringify(`${baseUrl}/Observation/${id}`);
  const request = version === 1 ? { method: 'POST', url: 'Observation' } : { method: 'PUT', url: `Observation/${id}` };
  const response = { status: version === 1 ? '201' : '200', etag: `W/"${version}"`, lastModified: lastUpdated };
  const body = content === 'full-resource' ? `"resource":${text},` : '';
  return [`{"fullUrl":${fullUrl},${body}"request":${JSON.stringify(request)},"response":${JSON.stringify(response)}}`];
}

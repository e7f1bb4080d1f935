/**
 * A Subscription as it is asked for (HL7 FHIR R4 4.0.1, Subscription): what is served of it, and
 * every reason against taking it. Only rest-hooks on Observations, with criteria that name nobody:
 * what is stored here and sent along holds no patient data of its own.
 */
import { parseDateTime } from './fhir-time.ts';
import type { Token } from './facts.ts';
import { isJsonObject, type JsonObject, type JsonValue } from './json.ts';

/** How much a notification says (Subscriptions R5 Backport 1.1.0, value set backport-content). */
export type PayloadContent = 'empty' | 'id-only' | 'full-resource';
export const CONTENTS: readonly PayloadContent[] = ['empty', 'id-only', 'full-resource'];

/** Subscriptions R5 Backport 1.1.0, extension on `channel.payload`. */
export const CONTENT_EXTENSION = 'http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content';

export interface RequestedSubscription {
  /** The resource without id, meta, status and error, which are for the service to say. */
  readonly content: JsonObject;
  readonly endpoint: string;
  readonly contentKind: PayloadContent;
  readonly filter: { readonly codes?: readonly Token[]; readonly categories?: readonly Token[] };
  readonly endsMs?: number;
}

export type SubscriptionRequest =
  | { readonly ok: true; readonly subscription: RequestedSubscription }
  | {
      readonly ok: false;
      readonly problem: { readonly kind: 'value' | 'not-supported'; readonly message: string; readonly expression: string };
    };

class Refusal extends Error {
  readonly kind: 'value' | 'not-supported';
  readonly expression: string;
  constructor(kind: 'value' | 'not-supported', expression: string, message: string) {
    super(message);
    this.kind = kind;
    this.expression = expression;
  }
}

const LONGEST_TEXT = 300;
const LONGEST_CRITERIA = 1_000;
const LONGEST_ENDPOINT = 1_000;
const MOST_CODES = 50;

/** Elements that are taken, and those whose values are the service's own and are left out. */
const TAKEN = new Set(['resourceType', 'status', 'reason', 'criteria', 'channel', 'end', 'contact']);
const OURS_TO_SAY = new Set(['id', 'meta', 'error', 'text']);

/** Never throws for what somebody sent. @param nowMs for an `end` that is over already */
export function readSubscription(sent: JsonValue, nowMs: number): SubscriptionRequest {
  try {
    return { ok: true, subscription: read(sent, nowMs) };
  } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    const { kind, message, expression } = error;
    return { ok: false, problem: { kind, message, expression } };
  }
}

function read(sent: JsonValue, nowMs: number): RequestedSubscription {
  if (!isJsonObject(sent) || sent['resourceType'] !== 'Subscription')
    throw new Refusal('value', 'Subscription', 'Send a Subscription resource.');
  refuseOthers(sent, [...TAKEN, ...OURS_TO_SAY], 'Subscription');
  if (sent['status'] !== 'requested')
    throw new Refusal('value', 'Subscription.status', 'status must be requested; the service makes it active once the endpoint answers.');
  const reason = textAt(sent, 'reason', 'Subscription', LONGEST_TEXT);
  const criteria = textAt(sent, 'criteria', 'Subscription', LONGEST_CRITERIA);
  const channel = channelOf(sent['channel']);
  const end = endOf(sent['end'], nowMs);
  return {
    content: {
      resourceType: 'Subscription',
      ...(sent['contact'] !== undefined && { contact: contactsOf(sent['contact']) }),
      ...(end && { end: end.text }),
      reason,
      criteria,
      channel: channel.content,
    },
    endpoint: channel.endpoint,
    contentKind: channel.contentKind,
    filter: filterOf(criteria),
    ...(end && { endsMs: end.ms }),
  };
}

function refuseOthers(object: JsonObject, names: readonly string[], place: string): void {
  const other = Object.keys(object).find((name) => !names.includes(name));
  if (other === undefined) return;
  // a name may be anything, and answers repeat no such thing
  const isSane = /^_?[A-Za-z]{1,40}$/.test(other);
  throw new Refusal('not-supported', isSane ? `${place}.${other}` : place, `Of ${place} only ${names.join(', ')} are understood here.`);
}

function textAt(object: JsonObject, name: string, place: string, longest: number): string {
  const text = object[name];
  if (typeof text !== 'string' || text.trim() === '' || text.length > longest)
    throw new Refusal('value', `${place}.${name}`, `${name} is required: a text of 1 to ${longest} characters.`);
  return text;
}

interface Channel {
  readonly content: JsonObject;
  readonly endpoint: string;
  readonly contentKind: PayloadContent;
}

function channelOf(channel: JsonValue | undefined): Channel {
  const place = 'Subscription.channel';
  if (!isJsonObject(channel ?? null)) throw new Refusal('value', place, 'channel is required.');
  const given = channel as JsonObject;
  if (given['header'] !== undefined)
    throw new Refusal(
      'not-supported',
      `${place}.header`,
      'header is not taken: what stands there is often a secret, and everybody who may read Subscriptions would read it.',
    );
  refuseOthers(given, ['type', 'endpoint', 'payload', '_payload'], place);
  if (given['type'] !== 'rest-hook') throw new Refusal('not-supported', `${place}.type`, 'The only channel is rest-hook.');
  const endpoint = textAt(given, 'endpoint', place, LONGEST_ENDPOINT);
  const { payload } = given;
  if (payload !== 'application/fhir+json')
    throw new Refusal(
      'not-supported',
      `${place}.payload`,
      'payload must be application/fhir+json. Notifications without readings are had by the extension backport-payload-content, with the code empty or id-only.',
    );
  const contentKind = contentOf(given['_payload']);
  const content: JsonObject = {
    type: 'rest-hook',
    endpoint,
    payload,
    ...(given['_payload'] !== undefined && { _payload: { extension: [{ url: CONTENT_EXTENSION, valueCode: contentKind }] } }),
  };
  return { content, endpoint, contentKind };
}

function contentOf(payload: JsonValue | undefined): PayloadContent {
  if (payload === undefined) return 'full-resource';
  const extension = isJsonObject(payload) && Object.keys(payload).length === 1 ? payload['extension'] : undefined;
  const [only] = Array.isArray(extension) && extension.length === 1 ? extension : [];
  const code = only !== undefined && isJsonObject(only) && only['url'] === CONTENT_EXTENSION ? only['valueCode'] : undefined;
  const kind = CONTENTS.find((one) => one === code);
  if (kind === undefined)
    throw new Refusal(
      'not-supported',
      'Subscription.channel.payload.extension',
      `The one extension is backport-payload-content, with the valueCode ${CONTENTS.join(', ')}.`,
    );
  return kind;
}

/** Where a stored Subscription is told of changes, and how much. Throws for what `readSubscription` did not make. */
export function channelIn(content: JsonValue): Pick<RequestedSubscription, 'endpoint' | 'contentKind'> {
  const channel = isJsonObject(content) ? content['channel'] : undefined;
  const { endpoint, contentKind } = channelOf(channel);
  return { endpoint, contentKind };
}

function endOf(end: JsonValue | undefined, nowMs: number): { readonly text: string; readonly ms: number } | undefined {
  if (end === undefined) return undefined;
  const instant = typeof end === 'string' ? parseDateTime(end) : undefined;
  if (typeof end !== 'string' || instant?.precision !== 'time')
    throw new Refusal('value', 'Subscription.end', 'end must be an instant such as 2027-03-01T08:00:00Z.');
  if (instant.startMs <= nowMs) throw new Refusal('value', 'Subscription.end', 'end is over already.');
  return { text: end, ms: instant.startMs };
}

/** Of each only system, value and use: for people who look for whom to call. */
function contactsOf(contact: JsonValue): JsonValue[] {
  const bad = (): never => {
    throw new Refusal('value', 'Subscription.contact', 'contact is a list of at most 5, each with system, value and use.');
  };
  if (!Array.isArray(contact) || contact.length === 0 || contact.length > 5) return bad();
  return contact.map((one) => {
    if (!isJsonObject(one)) return bad();
    const { system, value, use, ...rest } = one;
    const isText = (text: JsonValue | undefined): boolean =>
      text === undefined || (typeof text === 'string' && text !== '' && text.length <= LONGEST_TEXT);
    if (Object.keys(rest).length > 0 || typeof value !== 'string' || ![system, value, use].every(isText)) return bad();
    return { ...(system !== undefined && { system }), value, ...(use !== undefined && { use }) };
  });
}

const CRITERIA_FORM =
  'criteria must be Observation, Observation?code=… or Observation?category=…, or both with &; each with system|code or code, and commas between several. Nothing that names a person is taken.';

/** `Observation?code=http://loinc.org|29463-7,3141-9&category=vital-signs` */
function filterOf(criteria: string): RequestedSubscription['filter'] {
  const refusal = new Refusal('not-supported', 'Subscription.criteria', CRITERIA_FORM);
  const [, query] = /^Observation(?:\?(.*))?$/s.exec(criteria) ?? [criteria, null];
  if (query === null) throw refusal;
  const found = new Map<string, Token[]>();
  for (const part of query === undefined ? [] : query.split('&')) {
    const [, name = '', value = ''] = /^(code|category)=([^=&\\]+)$/.exec(part) ?? [];
    if (name === '' || found.has(name)) throw refusal;
    const tokens = value.split(',').map(tokenIn);
    if (tokens.length > MOST_CODES || tokens.includes(undefined)) throw refusal;
    found.set(name, tokens as Token[]);
  }
  const [codes, categories] = [found.get('code'), found.get('category')];
  return { ...(codes && { codes }), ...(categories && { categories }) };
}

function tokenIn(text: string): Token | undefined {
  let decoded: string;
  try {
    decoded = decodeURIComponent(text);
  } catch {
    return undefined;
  }
  const [, system, value] = /^(?:([^|\s]*)\|)?([^|\s]{1,200})$/.exec(decoded) ?? [];
  if (value === undefined) return undefined;
  return system === undefined ? { value } : { system, value };
}

/** An encoded slash or backslash, and two dots with a parameter, which some read as a parent directory. */
const CLIMBS = /%2f|%5c|\/(?:\.|%2e){2};/i;

/**
 * Does an endpoint begin with one of the targets? Both as URL parsers write them: the same scheme,
 * host and port, and a path that goes on at a slash. Without user, password or fragment, and without
 * what climbs out of a path at servers and proxies that read it otherwise than URL parsers do.
 */
export function isAllowedTarget(endpoint: string, targets: readonly string[]): boolean {
  if (!URL.canParse(endpoint) || /[\s\\]/.test(endpoint)) return false;
  const { origin, pathname, username, password, hash, protocol } = new URL(endpoint);
  if (`${username}${password}${hash}` !== '' || !/^https?:$/.test(protocol) || CLIMBS.test(pathname)) return false;
  return targets.some((target) => {
    const allowed = new URL(target);
    const path = allowed.pathname.replace(/(?<!\/)\/+$/, '');
    return origin === allowed.origin && (pathname === path || pathname.startsWith(`${path}/`));
  });
}

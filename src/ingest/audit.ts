/**
 * What a call did, as an audit event in the very unit of work that does it, together with the refusal
 * that it may have ended in. Calls that end in an error leave nothing here: who answers them records
 * that (see `http/audit`).
 */
import type { Call } from '../caller.ts';
import type { AuditedInteraction, OwnEvent } from '../core/audit/codes.ts';
import { toAuditEvent } from '../core/audit/event.ts';
import type { Finding, Verdict } from '../core/finding.ts';
import { isJsonObject, type JsonValue } from '../core/json.ts';
import { keyOf, logicalKey, pointerOf } from '../core/pointers.ts';
import type { Policy } from '../core/policy.ts';
import { OURS } from '../core/terminology.ts';
import type { Clock, StoredResource, StoreWriter } from '../ports.ts';
import { recordRefusal } from './record.ts';
import { treeOf } from './stored-tree.ts';

export interface AuditWork {
  /** The call that is served; absent for what the service does of its own. */
  readonly call?: Call;
  readonly clock: Clock;
  readonly policy: Policy;
  readonly knownBases: readonly string[];
  readonly newId: () => string;
}

/** What is being done, and the text that is kept should it be refused. */
export interface Undertaking {
  readonly interaction: AuditedInteraction;
  readonly event?: OwnEvent;
  /** As it was received. */
  readonly text?: string;
  /** The resource that was sent. */
  readonly sent?: JsonValue;
  /** What it concerns besides what it writes. */
  readonly concerns?: readonly string[];
  readonly details?: readonly (readonly [name: string, value: string])[];
}

/** How it ended, as far as it was judged, and what is there now because of it or was there before. */
export interface Ending {
  readonly verdict?: Verdict;
  readonly findings?: readonly Finding[];
  readonly resource?: StoredResource;
  readonly resources?: readonly StoredResource[];
  /** Numbers of outbox items that were taken out before they were sent. */
  readonly withdrawnItems?: readonly number[];
}

/** A recall can write more than anybody reads in one event; each version has its Provenance. */
const MOST_RESOURCES = 1000;

/** Runs `act` and records it, and keeps what was refused; all of it in the unit of work of `writer`. */
export async function recorded<Answer extends Ending>(
  writer: StoreWriter,
  undertaking: Undertaking,
  work: AuditWork,
  act: () => Promise<Answer>,
): Promise<Answer> {
  const before = writer.written.length;
  const answer = await act();
  const { interaction, event, text, sent, concerns = [], details = [] } = undertaking;
  const { call, clock, policy, knownBases, newId } = work;
  const { verdict, findings = [], withdrawnItems = [] } = answer;
  const isRefused = verdict === 'refused';
  const refusalId = isRefused && text !== undefined ? newId() : undefined;
  if (refusalId !== undefined && text !== undefined) {
    const circumstances = { nowMs: clock.nowMs(), policyVersion: policy.version, client: call?.caller.client };
    await recordRefusal(writer, { id: refusalId, text, findings }, circumstances);
  }

  const written = writer.written.slice(before).filter(({ type }) => type !== 'Provenance');
  const named = new Set(written.map(versioned));
  // a resend writes nothing, and is told of what is there
  const existing = [...(answer.resource ? [answer.resource] : []), ...(answer.resources ?? [])].filter((one) => !named.has(versioned(one)));
  const own = event ?? (isRefused ? 'refused' : undefined);
  const resources = [
    ...(refusalId === undefined ? [] : [logicalKey({ system: OURS.refusalIdentifier, value: refusalId })]),
    ...concerns,
    ...named,
    ...existing.map(versioned),
  ];
  const persons = [
    ...written.flatMap(({ person }) => person ?? []),
    ...[sent, ...existing.map(treeOf)].flatMap((resource) => subjectsOf(resource, knownBases)),
  ];
  await writer.addAudit(
    toAuditEvent({
      recordedMs: clock.nowMs(),
      interaction,
      ...(own && { event: own }),
      outcome: isRefused ? 'minor' : 'success',
      ...(call && { caller: call.caller, requestId: call.requestId }),
      resources: resources.slice(0, MOST_RESOURCES),
      digests: new Map(written.map((version) => [versioned(version), version.digest])),
      persons,
      details: [
        ...(verdict === undefined ? [] : [['verdict', verdict] as const]),
        ...[...new Set(findings.map(({ rule }) => rule.id))].map((id) => ['rule', id] as const),
        ['policy', policy.version],
        ...details,
        ...withdrawnItems.map((number) => ['item not sent', String(number)] as const),
        ...(resources.length > MOST_RESOURCES ? [['resources not listed', String(resources.length - MOST_RESOURCES)] as const] : []),
      ],
    }),
  );
  return answer;
}

function versioned({ type, id, version }: Pick<StoredResource, 'type' | 'id' | 'version'>): string {
  return `${type}/${id}/_history/${version}`;
}

/** Keys of those whose body an Observation, or each Observation of a Bundle, is about. Takes any JSON: what was sent may be no FHIR at all. */
export function subjectsOf(sent: JsonValue | undefined, knownBases: readonly string[]): string[] {
  if (!isJsonObject(sent)) return [];
  if (sent['resourceType'] === 'Patient' && typeof sent['id'] === 'string') return [`Patient/${sent['id']}`];
  if (sent['resourceType'] === 'Bundle' && Array.isArray(sent['entry']))
    return sent['entry'].flatMap((entry) =>
      isJsonObject(entry) && !isBundle(entry['resource']) ? subjectsOf(entry['resource'], knownBases) : [],
    );
  const { subject } = sent;
  if (!isJsonObject(subject)) return [];
  const { reference, identifier } = subject;
  const { system, value } = isJsonObject(identifier) ? identifier : {};
  const key = keyOf(
    pointerOf(
      {
        ...(typeof reference === 'string' && { reference }),
        ...(typeof system === 'string' && typeof value === 'string' && { identifier: { system, value } }),
      },
      knownBases,
    ),
  );
  return key === undefined ? [] : [key];
}

function isBundle(resource: JsonValue | undefined): boolean {
  return isJsonObject(resource) && resource['resourceType'] === 'Bundle';
}

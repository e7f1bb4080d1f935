/** What an AuditEvent is searched by. All of it stands in the event itself, so that none can differ from it unseen. */
import type * as fhir4 from 'fhir/r4.js';
import { logicalKey } from '../pointers.ts';
import { OURS } from '../terminology.ts';
import { AGENT_SYSTEM, AUDIT_SYSTEM } from './codes.ts';

export interface AuditFacts {
  readonly recordedMs: number;
  readonly action: string;
  readonly outcome: string;
  /** Code of the REST interaction. */
  readonly interaction?: string;
  /** Code of our CodeSystem `audit-event`. */
  readonly event?: string;
  readonly client?: string;
  readonly user?: string;
  /** What it concerns, without versions: `Observation/a`, `Patient/p`, `identifier:system|value`; each once, in order. */
  readonly references: readonly string[];
}

export function auditFactsOf(event: Omit<fhir4.AuditEvent, 'id'>): AuditFacts {
  const subtypeOf = (system: string): string | undefined => event.subtype?.find((coding) => coding.system === system)?.code;
  const agentOf = (system: string): string | undefined =>
    event.agent.find(({ who }) => who?.identifier?.system === system)?.who?.identifier?.value;
  const interaction = subtypeOf(AUDIT_SYSTEM.interaction);
  const own = subtypeOf(OURS.auditEventSystem);
  const client = agentOf(AGENT_SYSTEM.client);
  const user = agentOf(AGENT_SYSTEM.user);
  return {
    recordedMs: Date.parse(event.recorded),
    action: event.action ?? '',
    outcome: event.outcome ?? '',
    ...(interaction !== undefined && { interaction }),
    ...(own !== undefined && { event: own }),
    ...(client !== undefined && { client }),
    ...(user !== undefined && { user }),
    references: [...new Set((event.entity ?? []).flatMap(({ what }) => keyOf(what)))].sort(),
  };
}

function keyOf(what: fhir4.Reference | undefined): string[] {
  if (what?.reference !== undefined) return [what.reference.replace(/\/_history\/[^/]+$/, '')];
  const { system, value } = what?.identifier ?? {};
  return system === undefined || value === undefined ? [] : [logicalKey({ system, value })];
}

/** What metrics and audit are told of the service itself. */
import type { AuditPatrol } from '../audit-patrol.ts';
import type { AuditTrail, UntimedFacts } from '../audit-trail.ts';
import { DAY_MS } from '../core/fhir-time.ts';
import type { GatewaysHolder, GatewaysReload } from '../gateways.ts';
import type { Metrics } from '../metrics.ts';
import type { Reload } from '../policy-in-force.ts';
import { softwareVersion } from '../version.ts';
import type { Parts } from './parts.ts';

/** How long each gateway may be silent, as the file in force says. */
export function expectGateways(metrics: Metrics, { current }: GatewaysHolder): void {
  const intervals = [...(current ?? [])].flatMap(([client, { silentAfterMinutes }]): [string, number][] =>
    silentAfterMinutes === undefined ? [] : [[client, silentAfterMinutes * 60]],
  );
  metrics.expectGateways(new Map(intervals));
}

/** What is asked of the parts whenever the metrics are. */
export function tellFigures(
  metrics: Metrics,
  { audit, patrol, ehr, clock }: Pick<Parts, 'clock' | 'ehr'> & { readonly audit: AuditTrail; readonly patrol: AuditPatrol },
): void {
  metrics.figure('steelyard_audit_unwritten', () => audit.waiting);
  metrics.figure('steelyard_audit_chain_broken', () => Number(patrol.isBroken));
  metrics.figure('steelyard_ehr_clock_difference_seconds', () => ehr?.clockAheadSeconds());
  const certificateEnds = (): number | undefined => {
    const days = ehr?.certificateDaysLeft();
    return days === undefined ? undefined : (clock.nowMs() + days * DAY_MS) / 1000;
  };
  metrics.figure('steelyard_expiry_timestamp_seconds', certificateEnds, { what: 'ehr-certificate' });
}

/** What the service itself does, with the version of this software. */
export function serviceEvent(event: 'start' | 'stop', details: UntimedFacts['details'] = []): UntimedFacts {
  return { event, outcome: 'success', details: [['version', softwareVersion()], ...details] };
}

/** A file that is broken is an event too: somebody wanted another policy, or other rights for gateways, and they are not in force. */
export async function auditReload(audit: AuditTrail, policy: Reload, gateways: GatewaysReload): Promise<void> {
  const policyDetails = [['policy', policy.now] as const, ...(policy.kind === 'loaded' ? [['policy before', policy.before] as const] : [])];
  const gatewaysDetails = [['gateways', gateways.kind === 'loaded' ? String(gateways.gateways) : 'as before'] as const];
  for (const { kind, details } of [
    { kind: policy.kind, details: policyDetails },
    { kind: gateways.kind, details: gatewaysDetails },
  ]) {
    if (kind === 'no-file') continue;
    const isLoaded = kind === 'loaded';
    await audit.recordIfPossible({
      event: isLoaded ? 'configuration' : 'configuration-kept',
      outcome: isLoaded ? 'success' : 'minor',
      details,
    });
  }
}

/**
 * Why a stored version is as it is: by which rules under which policy, from what, and who added
 * which element. One Provenance a version (HL7 FHIR R4 4.0.1, Provenance; agent type
 * `assembler`: a device that works on existing data by the custodian's algorithm).
 */
import type * as fhir4 from 'fhir/r4.js';
import type { Addition } from './enrich/enrich.ts';
import { toInstant } from './fhir-time.ts';
import type { Finding, Verdict } from './finding.ts';
import type { Context } from './reading.ts';
import { OURS, SYSTEM } from './terminology.ts';

interface Because {
  readonly target: { readonly id: string; readonly version: number };
  readonly verdict: Verdict;
  readonly findings: readonly Finding[];
  readonly additions: readonly Addition[];
  readonly entities: readonly fhir4.ProvenanceEntity[];
  readonly activity: 'CREATE' | 'UPDATE';
}

export const SOFTWARE = { name: 'Steelyard' } as const;

export function provenanceId({ id, version }: Because['target']): string {
  return `prov-${id}-${version}`;
}

/** The Provenance of one version of an Observation. */
export function toProvenance(
  { target, verdict, findings, additions, entities, activity }: Because,
  context: Pick<Context, 'policy' | 'nowMs' | 'growth'>,
): fhir4.Provenance {
  const id = provenanceId(target);
  const { version } = context.policy;
  return {
    resourceType: 'Provenance',
    id,
    meta: { tag: [{ system: OURS.provenanceTag, code: id }] },
    extension: [decision(verdict, findings, version, context.growth?.version), ...additions.map(addition)],
    target: [{ reference: `Observation/${target.id}/_history/${target.version}` }],
    recorded: toInstant(context.nowMs),
    policy: [`${OURS.policyBase}/${version}`],
    activity: { coding: [{ system: SYSTEM.dataOperation, code: activity, display: activity === 'CREATE' ? 'create' : 'revise' }] },
    agent: [
      {
        type: { coding: [{ system: SYSTEM.provenanceAgent, code: 'assembler', display: 'Assembler' }] },
        who: { identifier: { system: OURS.softwareIdentifier, value: SOFTWARE.name.toLowerCase() }, display: SOFTWARE.name },
      },
    ],
    ...(entities.length > 0 && { entity: [...entities] }),
  };
}

function decision(verdict: Verdict, findings: readonly Finding[], policyVersion: string, growthTables?: string): fhir4.Extension {
  return {
    url: OURS.decisionExtension,
    extension: [
      { url: 'verdict', valueCode: verdict },
      { url: 'policyVersion', valueString: policyVersion },
      ...(growthTables === undefined ? [] : [{ url: 'growthTables', valueString: growthTables }]),
      ...findings.map(({ rule, outcome }) => ({
        url: 'rule',
        extension: [
          { url: 'id', valueCode: rule.id },
          { url: 'outcome', valueCode: outcome },
          { url: 'source', valueString: rule.source },
        ],
      })),
    ],
  };
}

function addition({ what, origin }: Addition): fhir4.Extension {
  return {
    url: OURS.enrichmentExtension,
    extension: [
      { url: 'what', valueString: what },
      { url: 'origin', valueCode: origin },
    ],
  };
}

/** What a Provenance of ours says was added to its target. */
export function additionsIn(provenance: Pick<fhir4.Provenance, 'extension'>): Addition[] {
  const additions = (provenance.extension ?? []).filter(({ url }) => url === OURS.enrichmentExtension);
  return additions.flatMap(({ extension }) => {
    const what = extension?.find(({ url }) => url === 'what')?.valueString;
    const origin = extension?.find(({ url }) => url === 'origin')?.valueCode as Addition['origin'] | undefined;
    return what === undefined || origin === undefined ? [] : [{ what, origin }];
  });
}

export function entity(role: fhir4.ProvenanceEntity['role'], key: string): fhir4.ProvenanceEntity {
  return { role, what: referenceOf(key) };
}

/** The reference that a person or device key stands for: literal, or by identifier. */
export function referenceOf(key: string): fhir4.Reference {
  const [, system, value] = /^identifier:(.*?)\|(.*)$/s.exec(key) ?? [];
  return system !== undefined && value !== undefined ? { identifier: { system, value } } : { reference: key };
}

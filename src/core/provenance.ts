/**
 * Why a stored version is as it is: by which rules under which policy, from what, and who added
 * which element. One Provenance a version (HL7 FHIR R4 4.0.1, Provenance; agent type
 * `assembler`: a device that works on existing data by the custodian's algorithm).
 */
import type * as fhir4 from 'fhir/r4.js';
import type { Addition } from './enrich/enrich.ts';
import { toInstant } from './fhir-time.ts';
import { explainFinding, type Finding, type Verdict } from './finding.ts';
import type { Context, Instruction } from './reading.ts';
import { OURS, SYSTEM } from './terminology.ts';

/** Somebody decided it, and said why; the shape of a decision on a reading and of a recall. */
export interface DecidedBy {
  readonly decidedBy?: { readonly who: fhir4.Reference; readonly reason: string };
}

interface Because extends DecidedBy {
  readonly target: { readonly id: string; readonly version: number };
  readonly verdict: Verdict;
  readonly findings: readonly Finding[];
  readonly additions: readonly Addition[];
  readonly entities: readonly fhir4.ProvenanceEntity[];
  readonly activity: 'CREATE' | 'UPDATE';
  /** What they decided, see `decision.ts`. */
  readonly decision?: Instruction['as'];
  /** Rules that an earlier version was told of and that still hold it, as {@link rulesSaidIn} gives them. */
  readonly saidBefore?: readonly fhir4.Extension[];
  /** The version whose decision is taken back. */
  readonly takesBack?: number;
}

export const SOFTWARE = { name: 'Steelyard' } as const;

export function provenanceId({ id, version }: Because['target']): string {
  return `prov-${id}-${version}`;
}

/** The Provenance of one version of an Observation. */
export function toProvenance(because: Because, context: Pick<Context, 'policy' | 'nowMs' | 'growth'>): fhir4.Provenance {
  const { target, additions, entities, activity, decidedBy } = because;
  const id = provenanceId(target);
  const { version } = context.policy;
  return {
    resourceType: 'Provenance',
    id,
    meta: { tag: [{ system: OURS.provenanceTag, code: id }] },
    extension: [decisionExtension(because, context), ...additions.map(addition)],
    target: [{ reference: `Observation/${target.id}/_history/${target.version}` }],
    recorded: toInstant(context.nowMs),
    policy: [`${OURS.policyBase}/${version}`],
    ...(decidedBy && { reason: [{ text: decidedBy.reason }] }),
    activity: { coding: [{ system: SYSTEM.dataOperation, code: activity, display: activity === 'CREATE' ? 'create' : 'revise' }] },
    agent: [
      ...(decidedBy ? [author(decidedBy.who)] : []),
      {
        type: { coding: [{ system: SYSTEM.provenanceAgent, code: 'assembler', display: 'Assembler' }] },
        who: { identifier: { system: OURS.softwareIdentifier, value: SOFTWARE.name.toLowerCase() }, display: SOFTWARE.name },
      },
    ],
    ...(entities.length > 0 && { entity: [...entities] }),
  };
}

function author(who: fhir4.Reference): fhir4.ProvenanceAgent {
  return { type: { coding: [{ system: SYSTEM.provenanceAgent, code: 'author', display: 'Author' }] }, who };
}

/** The members of a Provenance that say who decided what, and why. */
export function instructedBy(instruction: Instruction | undefined): Pick<Because, 'decidedBy' | 'decision'> {
  if (instruction === undefined) return {};
  const { as, who, reason } = instruction;
  return { decidedBy: { who, reason }, decision: as };
}

function decisionExtension(
  { target, verdict, findings, decision, saidBefore = [], takesBack }: Because,
  { policy, growth }: Pick<Context, 'policy' | 'growth'>,
): fhir4.Extension {
  return {
    url: OURS.decisionExtension,
    extension: [
      { url: 'verdict', valueCode: verdict },
      { url: 'policyVersion', valueString: policy.version },
      ...(growth === undefined ? [] : [{ url: 'growthTables', valueString: growth.version }]),
      ...(decision === undefined ? [] : [{ url: 'decision', valueCode: decision }]),
      ...(takesBack === undefined
        ? []
        : [{ url: 'takesBack', valueReference: { reference: `Observation/${target.id}/_history/${takesBack}` } }]),
      ...saidBefore,
      ...findings.map(ruleExtension),
    ],
  };
}

/** What was said is kept for what somebody may have to act on; a remark that only informs has its rule's sentence. */
function ruleExtension(finding: Finding): fhir4.Extension {
  const { rule, outcome } = finding;
  return {
    url: 'rule',
    extension: [
      { url: 'id', valueCode: rule.id },
      { url: 'outcome', valueCode: outcome },
      { url: 'source', valueString: rule.source },
      ...(outcome === 'inform' ? [] : [{ url: 'says', valueString: explainFinding(finding) }]),
    ],
  };
}

/** What a Provenance of ours says of rules, by the rule's id. */
export function rulesSaidIn({ extension = [] }: Pick<fhir4.Provenance, 'extension'>): ReadonlyMap<string, fhir4.Extension> {
  const decision = extension.find(({ url }) => url === OURS.decisionExtension)?.extension ?? [];
  return new Map(
    decision.flatMap((part) => {
      const id = part.url === 'rule' ? part.extension?.find(({ url }) => url === 'id')?.valueCode : undefined;
      return id === undefined ? [] : [[id, part] as const];
    }),
  );
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

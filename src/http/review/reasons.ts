/** Why a reading waits, and what was decided of it, as the Provenance of its versions tell it. */
import type * as fhir4 from 'fhir/r4.js';
import type { RulePassport } from '../../core/finding.ts';
import { provenanceId } from '../../core/provenance.ts';
import { OURS } from '../../core/terminology.ts';
import { treeOf } from '../../ingest/stored-tree.ts';
import type { StoreReader } from '../../ports.ts';
import type { Reason } from '../../review/worklist.ts';

export interface VersionAccount {
  readonly version: number;
  readonly recorded: string;
  readonly verdict?: string;
  readonly policy: string;
  readonly reasons: readonly Reason[];
  /** What somebody decided, and who and why. */
  readonly decision?: string;
  readonly who?: string;
  readonly reason?: string;
}

/** A weigh-again and a recall judge nothing: the reasons are then those of the version before. */
const MOST_VERSIONS_BACK = 20;

/**
 * Of the newest version that says by which rules it waits, looking back from `version`.
 *
 * @param rules every rule, for sentences that were not kept with the version
 */
export async function reasonsOf(
  read: StoreReader,
  place: { readonly id: string; readonly version: number },
  rules: readonly RulePassport[],
): Promise<readonly Reason[]> {
  for (let version = place.version; version > Math.max(0, place.version - MOST_VERSIONS_BACK); version -= 1) {
    const account = await accountOf(read, { id: place.id, version }, rules);
    if (account && account.reasons.length > 0) return mixUpsFirst(account.reasons, rules);
  }
  return [];
}

/** A rule that names a mistake says more than one that only sees something unusual. */
function mixUpsFirst(reasons: readonly Reason[], rules: readonly RulePassport[]): readonly Reason[] {
  const isMixUp = ({ rule }: Reason): boolean => rules.find(({ id }) => id === rule)?.family === 'mix-up';
  return [...reasons.filter(isMixUp), ...reasons.filter((reason) => !isMixUp(reason))];
}

/** Undefined when no Provenance of it is kept. */
export async function accountOf(
  read: StoreReader,
  place: { readonly id: string; readonly version: number },
  rules: readonly RulePassport[],
): Promise<VersionAccount | undefined> {
  const stored = await read.current('Provenance', provenanceId(place));
  if (stored === undefined) return undefined;
  const { extension = [], recorded, agent, reason } = treeOf(stored) as unknown as fhir4.Provenance;
  const parts = extension.find(({ url }) => url === OURS.decisionExtension)?.extension ?? [];
  const codeOf = (name: string): string | undefined => parts.find(({ url }) => url === name)?.valueCode;
  const [decision, verdict] = [codeOf('decision'), codeOf('verdict')];
  const author = agent.find(({ type }) => type?.coding?.some(({ code }) => code === 'author'))?.who;
  const why = reason?.[0]?.text;
  return {
    version: place.version,
    recorded,
    policy: parts.find(({ url }) => url === 'policyVersion')?.valueString ?? 'not known',
    reasons: parts.filter(({ url }) => url === 'rule').flatMap((part) => reasonIn(part, rules)),
    ...(verdict !== undefined && { verdict }),
    ...(decision !== undefined && { decision }),
    ...(author && { who: nameOf(author) }),
    ...(why !== undefined && { reason: why }),
  };
}

/** Only what holds: remarks and warnings are no reason to wait. */
function reasonIn({ extension: parts = [] }: fhir4.Extension, rules: readonly RulePassport[]): Reason[] {
  const partOf = (name: string) => parts.find(({ url }) => url === name);
  const [rule, outcome, says] = [partOf('id')?.valueCode, partOf('outcome')?.valueCode, partOf('says')?.valueString];
  if (rule === undefined || (outcome !== 'hold' && outcome !== 'refuse')) return [];
  const passport = rules.find(({ id }) => id === rule);
  const title = passport?.title ?? rule;
  return [{ rule, title, says: says ?? `${title}.`, source: partOf('source')?.valueString ?? passport?.source ?? 'not kept' }];
}

export function nameOf({ display, identifier, reference }: fhir4.Reference): string {
  return display ?? identifier?.value ?? reference ?? 'somebody';
}

/**
 * Judges the resources of a text by the service's own use case, against an empty store that is gone
 * afterwards: so readings of one Bundle are compared with each other, and BMI follow.
 */
import type * as fhir4 from 'fhir/r4.js';
import { conditionalSubject } from '../../core/bundle.ts';
import { conformResource } from '../../core/conform.ts';
import { toOperationOutcome, type Verdict } from '../../core/finding.ts';
import { isJsonObject, parseExactJson, stringifyExact, type Exact, type JsonObject } from '../../core/json.ts';
import type { GrowthTables } from '../../core/growth/tables.ts';
import type { Policy } from '../../core/policy.ts';
import { PARENT_CODE, SYSTEM } from '../../core/terminology.ts';
import { ServiceError } from '../../errors.ts';
import { createIntake, type Intake, type IntakeAnswer } from '../../ingest.ts';
import { parseIfNoneExist } from '../../ingest/if-none-exist.ts';
import { openPassingStore } from '../../open-store.ts';
import type { Clock, Store, Token } from '../../ports.ts';
import { entriesOf, entryOf, type Before, type CheckedEntry, type RegistryType } from './bundle-entries.ts';

export interface Judged {
  readonly root: string;
  readonly resource: JsonObject;
  readonly verdict: Verdict | 'resent' | 'known' | 'not judged';
  /** Expressions begin at the file's root. */
  readonly issues: readonly fhir4.OperationOutcomeIssue[];
  /** The BMI that follows from this weight, and where its height stands: `entry[2]`, behind the name of another text. */
  readonly bmi?: { readonly value: string; readonly heightAt: string };
}

export interface Surroundings {
  readonly policy: Policy;
  readonly growth?: GrowthTables;
  readonly nowMs: number;
}

export interface Judge {
  /** @param source names the text in what a later one has to say of it; absent for the only one */
  judge(type: 'Observation' | 'Bundle', resource: JsonObject, source?: string): Promise<readonly Judged[]>;
  close(): Promise<void>;
}

/** A judge for whom every text is the only one: of an earlier one nothing is known. */
export async function judgeOfEach(surroundings: Surroundings): Promise<Judge> {
  const store = await openPassingStore(clockOf(surroundings));
  const judge: Judge['judge'] = async (type, resource, source) => {
    try {
      return await remembering(store, surroundings)(type, resource, source);
    } finally {
      store.empty();
    }
  };
  return { judge, close: () => store.close() };
}

/** A judge who remembers: what came with earlier texts is known, and their readings are earlier readings. */
export async function judgeOfAll(surroundings: Surroundings): Promise<Judge> {
  const store = await openPassingStore(clockOf(surroundings));
  return { judge: remembering(store, surroundings), close: () => store.close() };
}

function clockOf({ nowMs }: Surroundings): Clock {
  return { nowMs: () => nowMs };
}

function remembering(store: Store, surroundings: Surroundings): Judge['judge'] {
  const { policy, growth } = surroundings;
  let id = '';
  const intake = createIntake({
    store,
    clock: clockOf(surroundings),
    policy: () => policy,
    ...(growth && { growth }),
    newId: () => id,
    knownBases: [],
    forwards: false,
  });
  const before: Before = { readingIds: new Set(), entries: 0 };
  const placeOf = new Map<string, string>();
  return async (type, resource, source = '') => {
    if (type === 'Bundle') {
      const conformed = conformResource(resource, 'Bundle');
      if (!conformed.ok) return [{ root: 'Bundle', resource, verdict: 'refused', issues: toOperationOutcome(conformed.findings).issue }];
    }
    const judged: Stored[] = [];
    for (const entry of type === 'Bundle' ? entriesOf(resource, before) : [entryOf(resource, before)]) {
      id = entry.id;
      const one = await judgeEntry(entry, intake, store);
      judged.push(one);
      if (one.storedAs !== undefined && one.verdict !== 'resent') placeOf.set(one.storedAs, `${source} ${shortRoot(one.root)}`.trim());
    }
    return withBmi(judged, placeOf, store);
  };
}

type Stored = Judged & { readonly storedAs?: string };

/** `entry[3]` for the resource of a Bundle's entry; nothing for a resource that stands alone. */
export function shortRoot(root: string): string {
  return /^Bundle\.(entry\[\d+\])\.resource$/.exec(root)?.[1] ?? '';
}

async function judgeEntry({ root, resource, kind, id }: CheckedEntry, intake: Intake, store: Store): Promise<Stored> {
  if (kind === 'other') return { root, resource, verdict: 'not judged', issues: [] };
  if (kind === 'registry') {
    const answer = await intake.putRegistry(resource['resourceType'] as RegistryType, id, { ...resource, id });
    return { root, resource, verdict: answer.verdict === 'refused' ? 'refused' : 'known', issues: rootedIssues(answer, root) };
  }
  const resolved = await withKnownSubject(resource, store);
  const answer = await intake.create(resolved, stringifyExact(resolved));
  const verdict = answer.status === 200 ? 'resent' : answer.verdict;
  return { root, resource, verdict, issues: rootedIssues(answer, root), ...(answer.resource && { storedAs: answer.resource.id }) };
}

/** A `Patient?identifier=…` subject points to the Patient of the file that it fits, if it fits one. */
async function withKnownSubject(resource: JsonObject, { read }: Store): Promise<JsonObject> {
  const token = tokenIn(conditionalSubject(resource));
  const [match, another] = token === undefined ? [] : await read.idsByIdentifier('Patient', token, 2);
  if (match === undefined || another !== undefined) return resource;
  return { ...resource, subject: { ...(resource['subject'] as JsonObject), reference: `Patient/${match}` } };
}

/** A condition that is not understood leaves the reference as it is: a rule says what is wrong with it. */
function tokenIn(condition: string | undefined): Token | undefined {
  try {
    return condition === undefined ? undefined : parseIfNoneExist(condition);
  } catch (error) {
    if (error instanceof ServiceError) return undefined;
    throw error;
  }
}

function rootedIssues({ outcome }: IntakeAnswer, root: string): fhir4.OperationOutcomeIssue[] {
  return outcome.issue.map((issue) => ({
    ...issue,
    expression: issue.expression?.map((expression) => expression.replace(/^[A-Z][A-Za-z]*(?=\.|\[|$)/, root)) ?? [root],
  }));
}

async function withBmi(judged: readonly Stored[], placeOf: ReadonlyMap<string, string>, { read }: Store): Promise<readonly Judged[]> {
  const ids = judged.flatMap(({ storedAs, verdict }) => (storedAs === undefined || verdict === 'resent' ? [] : [storedAs]));
  const { resources } = await read.searchObservations({
    codes: [{ system: SYSTEM.loinc, value: PARENT_CODE.bmi.code }],
    derivedFrom: ids,
    includeHeld: true,
    sort: [],
    // of each weight there is one at most, but a height may belong to many
    count: Math.max(1, placeOf.size),
  });
  const bmiOf = new Map(
    resources.flatMap(({ text }) => {
      const parsed = parseExactJson(text);
      return parsed.ok && isJsonObject(parsed.value) ? bmiIn(parsed.value) : [];
    }),
  );
  return judged.map(({ storedAs, ...entry }) => {
    const bmi = storedAs === undefined || entry.verdict === 'resent' ? undefined : bmiOf.get(storedAs);
    return { ...entry, ...(bmi && { bmi: { value: bmi.value, heightAt: placeOf.get(bmi.heightId) ?? '' } }) };
  });
}

function bmiIn(tree: JsonObject): [weightId: string, bmi: { value: string; heightId: string }][] {
  const { valueQuantity, derivedFrom } = tree as unknown as Exact<fhir4.Observation>;
  const [weightId, heightId] = (derivedFrom ?? []).map(({ reference }) => reference?.replace('Observation/', ''));
  const value = valueQuantity?.value?.value;
  return weightId === undefined || heightId === undefined || value === undefined ? [] : [[weightId, { value, heightId }]];
}

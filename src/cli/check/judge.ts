/**
 * Judges the resources of one file by the service's own use case, against an empty store that is
 * gone afterwards: so readings of one Bundle are compared with each other, and BMI follow.
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
import { openStore } from '../../open-store.ts';
import type { Store, Token } from '../../ports.ts';
import { entriesOf, type CheckedEntry, type RegistryType } from './bundle-entries.ts';

export interface Judged {
  readonly root: string;
  readonly resource: JsonObject;
  readonly verdict: Verdict | 'resent' | 'known' | 'not judged';
  /** Expressions begin at the file's root. */
  readonly issues: readonly fhir4.OperationOutcomeIssue[];
  /** The BMI that follows from this weight, and the place of its height in the file. */
  readonly bmi?: { readonly value: string; readonly heightRoot: string };
}

export interface Surroundings {
  readonly policy: Policy;
  readonly growth?: GrowthTables;
  readonly nowMs: number;
}

export async function judgeResource(
  type: 'Observation' | 'Bundle',
  resource: JsonObject,
  { policy, growth, nowMs }: Surroundings,
): Promise<readonly Judged[]> {
  if (type === 'Bundle') {
    const conformed = conformResource(resource, 'Bundle');
    if (!conformed.ok) return [{ root: 'Bundle', resource, verdict: 'refused', issues: toOperationOutcome(conformed.findings).issue }];
  }
  const clock = { nowMs: () => nowMs };
  const store = await openStore(':memory:', { clock });
  try {
    let id = '';
    const intake = createIntake({
      store,
      clock,
      policy: () => policy,
      ...(growth && { growth }),
      newId: () => id,
      knownBases: [],
      forwards: false,
    });
    const judged: (Judged & { readonly storedAs?: string })[] = [];
    for (const entry of type === 'Bundle' ? entriesOf(resource) : [alone(resource)]) {
      id = entry.id;
      judged.push(await judgeEntry(entry, intake, store));
    }
    return await withBmi(judged, store);
  } finally {
    await store.close();
  }
}

function alone(resource: JsonObject): CheckedEntry {
  return { root: 'Observation', resource, kind: 'reading', id: 'this' };
}

async function judgeEntry(
  { root, resource, kind, id }: CheckedEntry,
  intake: Intake,
  store: Store,
): Promise<Judged & { storedAs?: string }> {
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

async function withBmi(judged: readonly (Judged & { readonly storedAs?: string })[], { read }: Store): Promise<readonly Judged[]> {
  const rootOf = new Map(
    judged.flatMap(({ storedAs, root, verdict }) => (storedAs === undefined || verdict === 'resent' ? [] : [[storedAs, root]])),
  );
  const { resources } = await read.searchObservations({
    codes: [{ system: SYSTEM.loinc, value: PARENT_CODE.bmi.code }],
    includeHeld: true,
    sort: [],
    count: Math.max(1, judged.length),
  });
  const bmiOf = new Map(
    resources.flatMap(({ text }) => {
      const parsed = parseExactJson(text);
      return parsed.ok && isJsonObject(parsed.value) ? bmiIn(parsed.value) : [];
    }),
  );
  return judged.map(({ storedAs, ...entry }) => {
    const bmi = storedAs === undefined || entry.verdict === 'resent' ? undefined : bmiOf.get(storedAs);
    return { ...entry, ...(bmi && { bmi: { value: bmi.value, heightRoot: rootOf.get(bmi.heightId) ?? '' } }) };
  });
}

function bmiIn(tree: JsonObject): [weightId: string, bmi: { value: string; heightId: string }][] {
  const { valueQuantity, derivedFrom } = tree as unknown as Exact<fhir4.Observation>;
  const [weightId, heightId] = (derivedFrom ?? []).map(({ reference }) => reference?.replace('Observation/', ''));
  const value = valueQuantity?.value?.value;
  return weightId === undefined || heightId === undefined || value === undefined ? [] : [[weightId, { value, heightId }]];
}

/**
 * Serves the requests of a golden file to the real use case on the real embedded store, in memory,
 * and gives the answer as the file writes it down. Ids are reading-1, reading-2 … in the order in
 * which the service asks for them; the clock is the file's.
 */
import { conformObservation } from '../../src/core/conform.ts';
import { factsOf } from '../../src/core/facts.ts';
import { parseDateTime } from '../../src/core/fhir-time.ts';
import { verdictOf, type Outcome } from '../../src/core/finding.ts';
import type { GrowthTables, TableId } from '../../src/core/growth/tables.ts';
import type { Sex } from '../../src/core/growth/z-score.ts';
import { stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { toReading } from '../../src/core/observation.ts';
import { keyOf, pointerOf } from '../../src/core/pointers.ts';
import { DEFAULT_POLICY, overridePolicy, type Policy } from '../../src/core/policy.ts';
import { MOVABLE_RULES } from '../../src/core/rules/index.ts';
import { OURS } from '../../src/core/terminology.ts';
import { ServiceError, toServiceOutcome } from '../../src/errors.ts';
import { createIntake, type Intake } from '../../src/ingest.ts';
import { parseIfNoneExist } from '../../src/ingest/if-none-exist.ts';
import { toOverrides } from '../../src/policy-file.ts';
import type { Clock, Store } from '../../src/ports.ts';
import type { ExampleAnswer, ExampleIssue, ExampleRequest, RequestLine, RuleStory } from '../../src/rule-examples.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { parseVersionTag } from '../../src/version-tag.ts';
import type { Answered, Parts, WireOutcome } from './call.ts';
import { sendText } from './http.ts';

/** The FHIR base of the service in all golden files. */
const BASE = 'https://bedside.harbourlight.example/fhir';

export async function answerOf(story: RuleStory): Promise<ExampleAnswer> {
  const { now, imported = [], before = [], request } = story;
  let nowMs = instantMs(now);
  const clock: Clock = { nowMs: () => nowMs };
  const policy = policyOf(story);
  const growth = growthOf(story);
  const store = await openSqliteStore(':memory:', { clock });
  try {
    let issued = 0;
    const newId = (): string => `reading-${(issued += 1)}`;
    const intake = createIntake({
      store,
      clock,
      policy: () => policy,
      ...(growth && { growth }),
      newId,
      knownBases: [BASE],
      forwards: true,
    });
    const parts: Parts = { store, clock, policy, intake, baseUrl: BASE };
    for (const [index, observation] of imported.entries()) await bring(store, observation, `imported-${index + 1}`);
    for (const [index, earlier] of before.entries()) {
      nowMs = instantMs(earlier.at ?? now);
      const { status, issues } = toAnswer(await serve(earlier, parts));
      if (status >= 400) throw new Error(`before[${index}] was refused: ${issues.map(({ diagnostics }) => diagnostics).join(' ')}`);
    }
    nowMs = instantMs(now);
    return toAnswer(await serve(request, parts));
  } finally {
    await store.close();
  }
}

/** Tables of the rows that a file gives: one row in each, as much as its child needs. */
function growthOf({ growth }: RuleStory): GrowthTables | undefined {
  if (growth === undefined) return undefined;
  const tables = growth.map(({ table, sex, ...row }) => {
    const { at = NaN, l = NaN, m = NaN, s = NaN } = Object.fromEntries(Object.entries(row).map(([name, value]) => [name, Number(value)]));
    return [table as TableId, { male: [], female: [], [sex as Sex]: [{ at, l, m, s }] }] as const;
  });
  return { version: 'example', tables: Object.fromEntries(tables) };
}

async function serve(request: ExampleRequest, parts: Parts): Promise<Answered> {
  // a text may be no JSON at all, which only the HTTP edge has to bear
  if ('text' in request) return sendText(request, parts);
  for (const [call, take] of CALLS) {
    const match = call.exec(`${request.method} ${request.url}`);
    if (match === null) continue;
    try {
      return await take(request.body, request, parts.intake, match);
    } catch (error) {
      if (!(error instanceof ServiceError)) throw error;
      return { status: error.row.status, verdict: 'refused', outcomes: [toServiceOutcome(error)] };
    }
  }
  throw new Error(`golden files know no ${request.method} ${request.url}; a call is a row of CALLS in tests/golden/runner.ts`);
}

type Take = (body: JsonObject, line: RequestLine, intake: Intake, match: RegExpExecArray) => Promise<Answered>;

/** What a request asks for, by its method and url: an operation on a stored reading is one more row. */
const CALLS: readonly (readonly [call: RegExp, take: Take])[] = [
  [
    /^POST Observation$/,
    async (body, { ifNoneExist }, intake) => {
      const condition = ifNoneExist === undefined ? undefined : parseIfNoneExist(ifNoneExist);
      return single(await intake.create(body, stringifyExact(body), condition));
    },
  ],
  [
    /^PUT Observation\/([^/]+)$/,
    async (body, { ifMatch }, intake, [, id = '']) => {
      const version = versionOf(ifMatch);
      if (version === undefined) throw new Error('a correction needs ifMatch');
      return single(await intake.correct(id, body, stringifyExact(body), version));
    },
  ],
  [
    /^POST Observation\/([^/]+)\/\$(decide|undo|claim)$/,
    async (body, { ifMatch }, intake, [, id = '', operation = '']) => {
      const { outcome, ...answer } = await intake[operation as 'decide' | 'undo' | 'claim'](
        id,
        body,
        stringifyExact(body),
        versionOf(ifMatch),
      );
      return { ...answer, outcomes: [outcome] };
    },
  ],
  [
    /^PUT (Patient|Device|DeviceMetric)\/([^/]+)$/,
    async (body, { ifMatch }, intake, [, type, id = '']) =>
      single(await intake.putRegistry(type as 'Patient' | 'Device' | 'DeviceMetric', id, body, versionOf(ifMatch))),
  ],
  [
    /^POST $/,
    async (body, _line, intake) => {
      const answer = await intake.bundle(body, stringifyExact(body));
      return { status: answer.status, outcomes: outcomesIn(answer.body) };
    },
  ],
];

function single({ outcome, ...answer }: Awaited<ReturnType<Intake['create']>>): Answered {
  return { ...answer, outcomes: [outcome] };
}

/** The outcomes of a Bundle's entries, or the one of a Bundle that was refused as a whole. */
function outcomesIn(body: JsonObject): WireOutcome[] {
  if (body['resourceType'] === 'OperationOutcome') return [body as unknown as WireOutcome];
  const entries = body['entry'] as unknown as readonly { readonly response: { readonly outcome: WireOutcome } }[];
  return entries.map(({ response }) => response.outcome);
}

function versionOf(tag: string | undefined): number | undefined {
  if (tag === undefined) return undefined;
  const version = parseVersionTag(tag);
  if (version === undefined) throw new Error('ifMatch must be a version such as W/"1"');
  return version;
}

function toAnswer({ status, verdict, outcomes }: Answered): ExampleAnswer {
  const issues = outcomes.flatMap(({ issue }) => issue.map(toIssue));
  return { status, verdict: verdict ?? verdictOf(issues), issues };
}

function toIssue({ details, extension, expression, diagnostics }: WireOutcome['issue'][number]): ExampleIssue {
  const rule = details?.coding?.[0]?.code;
  const [at] = expression ?? [];
  if (rule === undefined || at === undefined || diagnostics === undefined) throw new Error('an issue says nothing');
  // what is wrong with a call, and not with a reading, has no outcome of its own: the call was refused
  const outcome = extension?.find(({ url }) => url === OURS.ruleOutcomeExtension)?.valueCode ?? 'refuse';
  return { rule, outcome: outcome as Outcome, expression: at, diagnostics };
}

function policyOf({ policy }: RuleStory): Policy {
  if (policy === undefined) return DEFAULT_POLICY;
  const result = overridePolicy(toOverrides(policy), MOVABLE_RULES);
  if (!result.ok) throw new Error(result.problems.map(({ name, problem }) => `policy: ${name}: ${problem}`).join('; '));
  return result.policy;
}

/** Writes a reading as another service's store would hold it: not judged, and remembered by nothing. */
async function bring(store: Store, tree: JsonObject, id: string): Promise<void> {
  const conformed = conformObservation(tree);
  if (!conformed.ok) throw new Error(`${id} is no FHIR`);
  const observation = conformed.resource;
  const person = keyOf(pointerOf(observation.subject, [BASE]));
  const reading = person === undefined ? undefined : toReading(observation, { id, version: 1, person });
  if (reading === undefined) throw new Error(`${id} is no reading`);
  await store.write((writer) => writer.putObservation(id, { ...tree, id }, factsOf(observation, { ...reading, reading })));
}

function instantMs(text: string): number {
  const instant = parseDateTime(text);
  if (instant === undefined) throw new Error(`${text} is no instant`);
  return instant.startMs;
}

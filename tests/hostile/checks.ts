/**
 * The named checks of the hostile cases, each as something that can be seen from outside or in
 * the store. A check without an entry here fails the run, so none is passed over in silence.
 */
import { expect } from 'vitest';
import { isJsonObject, parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { objects } from '../published/readings.ts';
import type { Answer } from '../http/edge.ts';
import type { Service } from '../service.ts';

/** What can be counted in the store at one moment. */
export interface Tally {
  readonly observations: number;
  readonly bmi: readonly string[];
  readonly queued: readonly { readonly number: number; readonly concerns: readonly string[] }[];
}

export interface Seen {
  readonly service: Service;
  readonly answers: readonly Answer[];
  readonly answer: Answer;
  readonly before: Tally;
  readonly after: Tally;
  readonly logs: readonly string[];
  readonly milliseconds: number;
  readonly canaryHits: number;
  readonly memoryGrowth: number;
}

export async function tally({ store }: Service): Promise<Tally> {
  const found = await store.read.searchObservations({ includeHeld: true, sort: [], count: 5000 });
  return {
    observations: found.resources.length,
    bmi: found.resources.map(({ id }) => id).filter((id) => id.startsWith('bmi-')),
    queued: (await store.outbox.list({ limit: 5000 })).map(({ number, concerns }) => ({ number, concerns: [...concerns] })),
  };
}

const isRefused = ({ status }: Answer): boolean => status >= 400;

function nothingQueued({ before, after }: Seen): void {
  expect(after.queued.length).toBe(before.queued.length);
}

/** What is refused or only tried is nowhere in the store; what is held waits there. */
function nothingStored({ answer, before, after }: Seen): void {
  expect(after.observations).toBe(answer.status === 202 ? before.observations + 1 : before.observations);
}

function nothingChanged(seen: Seen): void {
  nothingQueued(seen);
  expect(seen.after.observations).toBe(seen.before.observations);
}

/** FHIR answers only, marked so that no browser makes a page of them. */
function noPage({ answer }: Seen): void {
  expect(answer.headers['content-type']).toMatch(/^application\/fhir\+json/);
  expect(answer.headers['x-content-type-options']).toBe('nosniff');
}

/** One JSON object a log line, and no control character in it. */
function logWhole({ logs }: Seen): void {
  for (const line of logs) {
    expect(line.trimEnd()).not.toMatch(/[\u0000-\u001f\u007f]/);
    const parsed = parseExactJson(line);
    expect(parsed.ok && isJsonObject(parsed.value)).toBe(true);
  }
}

function responses({ text }: Answer): JsonObject[] {
  const parsed = parseExactJson(text);
  if (!parsed.ok || !isJsonObject(parsed.value)) throw new Error('the answer is no JSON object');
  return objects(parsed.value['entry']).map(({ response }) => response as JsonObject);
}

const statusOf = (response: JsonObject | undefined): number => Number.parseInt(JSON.stringify(response?.['status']).slice(1), 10);

async function storedText({ service, answer }: Seen): Promise<string> {
  const path = new URL(answer.headers.location ?? '').pathname;
  return (await service.call('GET', path)).text;
}

type Check = (seen: Seen, argument: string) => void | Promise<void>;

const MIB = 1024 * 1024;

/** Things that must not be seen. */
export const MUST_NOT: Readonly<Record<string, Check>> = {
  forward: nothingQueued,
  forwardAsFinal: nothingQueued,
  '5xx': ({ answers }) => expect(answers.filter(({ status }) => status >= 500)).toEqual([]),
  store: nothingStored,
  storeNull: nothingStored,
  roundSilently: nothingStored,
  coerce: nothingStored,
  guessUnit: nothingStored,
  assumeUtc: nothingStored,
  silentlyPickOne: nothingStored,
  storeReplacementCharacter: nothingStored,
  pickFirstMatch: nothingQueued,
  changeState: nothingChanged,
  deriveBmi: ({ before, after }) => expect(after.bmi).toEqual(before.bmi),
  forwardClientBmi: async (seen) => {
    // whatever BMI there is was derived here: at most one more, and none with the value that was sent
    const fresh = seen.after.bmi.filter((id) => !seen.before.bmi.includes(id));
    expect(fresh.length).toBeLessThanOrEqual(1);
    for (const id of fresh) expect((await seen.service.call('GET', `/fhir/Observation/${id}`)).text).not.toContain('"value":31.4');
  },
  forwardActiveContent: async (seen) => {
    if (isRefused(seen.answer)) nothingChanged(seen);
    else expect(await storedText(seen)).not.toMatch(/<script|onerror|javascript:/i);
  },
  storeTwice: ({ before, after }) => expect(after.observations - after.bmi.length).toBe(before.observations - before.bmi.length + 1),
  forwardTwice: ({ before, after }) => expect(after.queued.length).toBe(before.queued.length + 1),
  overwriteSilently: (seen) => nothingChanged(seen),
  forwardEntry: ({ answer }, index) => expect(responses(answer)[Number(index)]?.['location']).toBeUndefined(),
  loseDecimalText: async (seen) => expect(await storedText(seen)).toMatch(/"value":\d+\.\d+[,}]/),
  echoBody: ({ answer }) => expect(answer.text).not.toContain('urn:example:gateway-a'),
  logBody: ({ logs }) => expect(logs.join('')).not.toContain('urn:example:gateway-a'),
  logContains: ({ logs }, text) => expect(logs.join('')).not.toContain(text),
  logRaw: logWhole,
  forgeLogLine: (seen) => {
    logWhole(seen);
    expect(seen.logs.filter((line) => line.startsWith('{"level":30,"msg":"patient'))).toEqual([]);
  },
  polluteProto: () => expect(Object.hasOwn(Object.prototype, 'polluted')).toBe(false),
  outboundRequest: ({ canaryHits }) => expect(canaryHits).toBe(0),
  readFile: ({ answer }) => expect(answer.text).not.toMatch(/root:.*:0:0|"devDependencies"/),
  exceedMs: ({ milliseconds }, limit) => expect(milliseconds).toBeLessThan(Number(limit)),
  // loosely: the sender, with its own copy of the body, lives in this process too
  memoryGrowth: ({ memoryGrowth }, limit) => expect(memoryGrowth).toBeLessThan(2 * Number.parseInt(limit, 10) * MIB),
  holdSlotLongerMs: ({ milliseconds }, limit) => expect(milliseconds).toBeLessThan(Number(limit) + 2_500),
  reflectHtml: noPage,
  executeScript: noPage,
  showUnmarkedBidi: noPage,
  reflectHost: ({ answer }, host) => expect(JSON.stringify(answer.headers) + answer.text).not.toContain(host),
  echoHeaders: ({ answer }) => expect(answer.text).not.toContain('no-authentication-here'),
  processSecondRequest: ({ answer }) => expect(answer.text).not.toContain('HTTP/1.1 '),
  returnMoreThan: ({ answer }, most) => {
    const parsed = parseExactJson(answer.text);
    expect(parsed.ok && isJsonObject(parsed.value) ? objects(parsed.value['entry']).length : 0).toBeLessThanOrEqual(Number(most));
  },
};

/** Things that must be seen. */
export const MUST: Readonly<Record<string, Check>> = {
  storeExactDecimal: async (seen, digits) => expect(await storedText(seen)).toContain(`"value":${digits},`),
  sameLocationEachTime: ({ answers }) => {
    expect(answers.length).toBeGreaterThan(1);
    expect(answers[0]?.headers.location).toMatch(/\/Observation\//);
    expect(new Set(answers.map(({ headers }) => headers.location)).size).toBe(1);
  },
  entryStatus: ({ answer }, wanted) => {
    // a Bundle that is refused as a whole has no entries to look at
    if (answer.status !== 200) return;
    const given = responses(answer).map(statusOf);
    const allowed = wanted.split(',').map((alternatives) => alternatives.split('|').map(Number));
    expect(given.length).toBe(allowed.length);
    given.forEach((status, index) => expect(allowed[index]).toContain(status));
  },
  entryIssueExpression: ({ answer }, argument) => {
    const [index = '', ...path] = argument.split(':');
    const outcome = JSON.stringify(responses(answer)[Number(index)]?.['outcome']);
    expect(outcome).toContain(`"${path.join(':')}`);
  },
};

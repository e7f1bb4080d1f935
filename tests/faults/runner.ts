/**
 * Runs one fault from its start to the checker's word: fault, calm, drain, health, graceful stop,
 * evidence, check. Whatever is not as it ought to be ends up in `problems`, with the seed.
 */
import { check, INVARIANTS, type CheckResult, type Invariant } from './checker.ts';
import { conclude, residentBytes } from './conclusion.ts';
import type { Fault, Size } from './fault.ts';
import { Nemesis } from './nemesis.ts';

export interface FaultResult {
  readonly fault: Fault;
  readonly seed: number;
  /** Why it was not tried; nothing else is known then. */
  readonly notTried?: string;
  readonly check?: CheckResult;
  /** A sentence each; empty when everything came out as it ought to. */
  readonly problems: readonly string[];
  readonly seconds: number;
}

export interface RunOptions {
  readonly size: Size;
  readonly seed: number;
  /** Longest time for the fault itself, in ms: so that a run that hangs ends, not a claim about speed. */
  readonly boundMs?: number;
}

/** Statuses that the contract with gateways names; anything else is a problem of its own. */
const PROMISED: readonly number[] = [200, 201, 202, 408, 409, 412, 422, 429, 503];

export async function runFault(
  fault: Fault,
  { size, seed, boundMs = size === 'short' ? 240_000 : 1_800_000 }: RunOptions,
): Promise<FaultResult> {
  const begunMs = performance.now();
  const seconds = (): number => (performance.now() - begunMs) / 1000;
  const notTried = await fault.impossible?.();
  if (notTried !== undefined) return { fault, seed, notTried, problems: [], seconds: seconds() };
  const problems: string[] = [];
  let result: CheckResult | undefined;
  try {
    const nemesis = await Nemesis.begin(fault, size, seed);
    result = await runWith(nemesis, fault, boundMs, problems);
    await nemesis.end({ keep: problems.length > 0 });
    if (problems.length > 0) problems.push(`history in ${nemesis.folder}`);
  } catch (error) {
    problems.push(`it did not begin or end: ${messageOf(error)}`);
  }
  if (problems.length > 0) problems.push(`seed ${seed}`);
  return { fault, seed, ...(result && { check: result }), problems, seconds: seconds() };
}

async function runWith(nemesis: Nemesis, fault: Fault, boundMs: number, problems: string[]): Promise<CheckResult | undefined> {
  try {
    const before = await residentBytes(nemesis);
    await bounded(fault.run(nemesis), boundMs, 'the fault');
    const evidence = await conclude(nemesis, {
      problems,
      ...(before !== undefined && { before }),
      ...(fault.drainMs !== undefined && { drainMs: fault.drainMs }),
    });
    const result = check(evidence);
    problems.push(...unpromised(nemesis, fault), ...surprises(fault, result));
    return result;
  } catch (error) {
    problems.push(`the run broke off: ${messageOf(error)}`);
    return undefined;
  } finally {
    problems.push(...nemesis.claims.filter(({ holds }) => !holds).map(({ says }) => `it does not hold that ${says}`));
  }
}

function messageOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

function unpromised({ history }: Nemesis, { provokes = [] }: Fault): string[] {
  const answers = history.lines.filter((line) => line.at === 'answer');
  const odd = answers.map(({ status }) => status).filter((status) => ![...PROMISED, ...provokes].includes(status));
  const rude = answers.filter(({ status, hasRetryAfter }) => (status === 503 || status === 429) && !hasRetryAfter).length;
  return [
    ...[...new Set(odd)].map((status) => `${odd.filter((one) => one === status).length} answers were ${status}, which nobody promised`),
    ...(rude > 0 ? [`${rude} answers said "not now" without Retry-After`] : []),
  ];
}

function surprises({ expected = {} }: Fault, { verdicts }: CheckResult): string[] {
  return (Object.keys(INVARIANTS) as Invariant[]).flatMap((invariant) => {
    const { verdict, found } = verdicts[invariant];
    const allowed = expected[invariant] ?? (invariant === 'I8' ? 'unknown' : 'valid');
    if (verdict === allowed || verdict === 'valid') return [];
    return [`${invariant} is ${verdict} (${INVARIANTS[invariant]}): ${found.length} found, as ${found.slice(0, 3).join('; ')}`];
  });
}

async function bounded<Result>(work: Promise<Result>, boundMs: number, what: string): Promise<Result> {
  let timer: NodeJS.Timeout | undefined;
  const late = new Promise<never>((_, reject) => {
    timer = setTimeout(() => reject(new Error(`${what} took longer than ${boundMs} ms`)), boundMs);
  });
  try {
    return await Promise.race([work, late]);
  } finally {
    clearTimeout(timer);
  }
}

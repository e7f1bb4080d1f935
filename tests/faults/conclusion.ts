/** The end of every run: calm, drain, a last look at its health, a graceful stop, and the evidence. */
import { openStore } from '../../src/open-store.ts';
import { auditChainOf } from './audit-chain.ts';
import { evidenceAtEhr, evidenceInStore, type Evidence } from './evidence.ts';
import type { Nemesis } from './nemesis.ts';

/** While draining the service's clock goes ahead in such steps, so that no wait is a real one. */
const DRAIN_STEP_MS = 90_000;

export interface Conclusion {
  /** Resident memory of the service before the fault, in bytes. */
  readonly before?: number;
  /** What is odd about the end goes in here. */
  readonly problems: string[];
  /** Longest time for everything to arrive, in ms. */
  readonly drainMs?: number;
}

/** Calms everything down, and gathers what can be known. */
export async function conclude(
  nemesis: Nemesis,
  { before, problems, drainMs = nemesis.pick(60_000, 600_000) }: Conclusion,
): Promise<Evidence> {
  nemesis.ehr.behave();
  await nemesis.ehr.up();
  if (!nemesis.isRunning) await nemesis.start();
  for (const load of nemesis.loads) await load.stop();
  await drain(nemesis, drainMs);
  const health = await Promise.all(
    ['/health/live', '/health/ready'].map((path) =>
      nemesis.get(path, { isCalm: true }).then(
        ({ status }) => status,
        () => 0,
      ),
    ),
  );
  const metrics = (await nemesis.get('/metrics', { isCalm: true })).body;
  const after = residentIn(metrics);
  const code = await nemesis.stop();
  if (code !== 0) problems.push(`a graceful stop ended with ${code ?? 'nothing'}`);
  const auditChain = await auditChainOf(nemesis.database);
  const store = await openStore(nemesis.database, { clock: { nowMs: () => Date.now() + nemesis.shiftMs }, exclusive: false });
  try {
    return {
      history: nemesis.history.lines,
      ...(await evidenceInStore(store, nemesis.history.lines)),
      received: evidenceAtEhr(nemesis.ehr.resources()),
      said: [...nemesis.said.map((text) => ({ where: 'the log', text })), { where: 'metrics', text: metrics }],
      health,
      ...(auditChain !== undefined && { auditChain }),
      ...(before !== undefined && after !== undefined && { memory: { before, after } }),
    };
  } finally {
    await store.close();
  }
}

/** Until nothing waits, or nothing more can be expected to go. */
async function drain(nemesis: Nemesis, boundMs: number): Promise<void> {
  await nemesis.until(async () => {
    if ((await nemesis.metric('steelyard_outbox_waiting', { isCalm: true })) === 0) return true;
    const asked = nemesis.ehr.requests;
    await nemesis.wait(250);
    // only when nothing is under way: what an item was claimed for must not look as if it had died
    if (nemesis.ehr.requests === asked && !nemesis.ehr.isApplyingLate) nemesis.stepClock(DRAIN_STEP_MS);
    return false;
  }, boundMs);
}

export async function residentBytes(nemesis: Nemesis): Promise<number | undefined> {
  return residentIn((await nemesis.get('/metrics', { isCalm: true })).body);
}

function residentIn(metrics: string): number | undefined {
  const [, bytes] = /^process_resident_memory_bytes (\S+)$/m.exec(metrics) ?? [];
  return bytes === undefined ? undefined : Number(bytes);
}

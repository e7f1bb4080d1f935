/** Faults of the table as tests, in their short form and a few at a time: most of them mostly wait. */
import { describe, it } from 'vitest';
import { INVARIANTS, type Invariant } from './checker.ts';
import type { Fault } from './fault.ts';
import { runFault } from './runner.ts';

/** Other dice with FAULTS_SEED; a failure says which. */
const SEED = Number(process.env['FAULTS_SEED'] ?? '20260302');
/** The fault, at most, and the longest drain after it. */
const LONGEST_MS = 480_000;

export function testFaults(faults: readonly Fault[]): void {
  describe.concurrent('nothing lost, nothing twice, nothing stale, nothing told, after', () => {
    it.for(faults.map((fault) => [fault.title, fault] as const))('%s', { timeout: LONGEST_MS }, async ([, fault], { expect, skip }) => {
      const { notTried, problems, check } = await runFault(fault, { size: 'short', seed: SEED });
      if (notTried !== undefined) skip(notTried);
      expect(problems).toEqual([]);
      const verdicts = (Object.keys(INVARIANTS) as Invariant[]).map((name) => [name, check?.verdicts[name].verdict]);
      const wanted = (Object.keys(INVARIANTS) as Invariant[]).map((name) => [name, fault.expected?.[name] ?? 'valid']);
      // an audit that is not there cannot be verified, and is not passed either
      const known = verdicts.map(([name, verdict]) => [name, name === 'I8' && verdict === 'unknown' ? 'valid' : verdict]);
      expect({ verdicts: known, lost: check?.lost, doubled: check?.doubled }).toEqual({ verdicts: wanted, lost: 0, doubled: 0 });
    });
  });
}

/**
 * The one checker: verifies after every fault what must hold whatever happened. Each invariant is
 * valid, invalid with what was found, or unknown, which is all that can be said when there was
 * nothing to look at. Pure.
 */
import type { Evidence } from './evidence.ts';
import { MARKER } from './gateway-plan.ts';
import { answeredReadings, isAcknowledged } from './history.ts';
import { checkDurable, lostReadings } from './checks/durable.ts';
import { checkAtomic, checkCounts } from './checks/store-whole.ts';
import { checkArrived, checkHeldStays, checkOnce, checkOrder, doubledAtEhr } from './checks/at-ehr.ts';
import { looked, type Finding } from './checks/finding.ts';

export const INVARIANTS = {
  I1: 'durable: what was acknowledged is stored, digit for digit',
  I2: 'atomic: a reading, its Provenance and its outbox item are there together or not at all',
  I3: 'once: the EHR holds each identity at most once',
  I4: 'eventually: all that counts is at the EHR, and nothing is under way',
  I5: 'held stays: nothing held, refused or void is at the EHR as final',
  I6: 'order: the last version at the EHR is our current one',
  I7: 'derived: standings and figures equal a computation from scratch',
  I8: 'chain: the audit verifies, and the counts add up',
  I9: 'quiet: no name and no identifier in logs, metrics or answers',
  I10: 'alive: health answers',
} as const;

export type Invariant = keyof typeof INVARIANTS;
export type { Finding };

export interface CheckResult {
  readonly verdicts: Readonly<Record<Invariant, Finding>>;
  /** Readings of which a gateway was told that they are stored. */
  readonly acknowledged: number;
  readonly lost: number;
  /** Identities that the EHR holds more than once. */
  readonly doubled: number;
  /** Resident memory in bytes; reported, not judged: one machine's figure says nothing of another's. */
  readonly memory?: Evidence['memory'];
}

export function check(evidence: Evidence): CheckResult {
  const acknowledged = new Set(
    answeredReadings(evidence.history)
      .filter(isAcknowledged)
      .map(({ reading }) => reading.identifier),
  );
  return {
    verdicts: {
      I1: checkDurable(evidence),
      I2: checkAtomic(evidence),
      I3: checkOnce(evidence),
      I4: checkArrived(evidence),
      I5: checkHeldStays(evidence),
      I6: checkOrder(evidence),
      I7: looked(evidence.recomputed.persons, evidence.recomputed.differences),
      I8: checkChain(evidence),
      I9: checkQuiet(evidence),
      I10: checkAlive(evidence),
    },
    acknowledged: acknowledged.size,
    lost: lostReadings(evidence).size,
    doubled: doubledAtEhr(evidence).length,
    ...(evidence.memory && { memory: evidence.memory }),
  };
}

function checkChain(evidence: Evidence): Finding {
  const counts = checkCounts(evidence);
  if (counts.verdict !== 'valid') return counts;
  if (evidence.auditChain === 'broken') return { verdict: 'invalid', looked: counts.looked, found: ['the audit chain does not verify'] };
  return evidence.auditChain === 'whole'
    ? counts
    : { verdict: 'unknown', looked: counts.looked, found: ['the counts add up; there is no audit to verify'] };
}

function checkQuiet({ said, history }: Evidence): Finding {
  const answers = history.flatMap((line) =>
    line.at === 'answer' && line.body !== '' ? [{ where: `answer ${line.n}`, text: line.body }] : [],
  );
  const texts = [...said, ...answers].filter(({ text }) => text !== '');
  const loud = texts.filter(({ text }) => text.toLowerCase().includes(MARKER));
  return looked(
    texts.length,
    loud.map(({ where, text }) => `${where} names somebody: ${around(text)}`),
  );
}

function around(text: string): string {
  const at = text.toLowerCase().indexOf(MARKER);
  return text.slice(Math.max(0, at - 80), at + MARKER.length);
}

function checkAlive({ health }: Evidence): Finding {
  return looked(
    health.length,
    health.filter((status) => status !== 200).map((status) => `health answered ${status}`),
  );
}

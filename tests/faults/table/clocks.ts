/** Clocks that are wrong: the service's own, and those of gateways. */
import { MARKER } from '../gateway-plan.ts';
import type { Fault } from '../fault.ts';
import type { SentReading } from '../history.ts';
import type { Nemesis } from '../nemesis.ts';

const HOUR_MS = 3_600_000;

function weightAt(effective: string, number: number): SentReading {
  const identifier = `${MARKER}-clock-${number}`;
  return { identifier, of: 'weight', digits: '70.5', status: 'final', person: `Patient/${MARKER}-clock-${number}`, effective };
}

/** What a reading of this time is answered. */
async function answerTo(nemesis: Nemesis, effective: string, number: number): Promise<number> {
  return (await nemesis.tell(weightAt(effective, number)))?.status ?? 0;
}

const ownClockSteps: Fault = {
  name: 'own-clock-steps',
  title: "the service's clock steps back an hour, then ahead a day, and again",
  async run(nemesis) {
    const load = nemesis.load();
    for (let round = 0; round < nemesis.pick(2, 20); round += 1) {
      await load.until(15);
      nemesis.stepClock(-HOUR_MS);
      await load.until(15);
      nemesis.stepClock(25 * HOUR_MS);
      await load.until(15);
      nemesis.stepClock(-24 * HOUR_MS);
    }
    nemesis.stepClock(-HOUR_MS);
    const ours = new Date(Date.now()).toISOString();
    nemesis.claim('what seems to come from the future waits or is refused', [202, 422].includes(await answerTo(nemesis, ours, 1)));
    await load.stop();
  },
};

const gatewayClocks: Fault = {
  name: 'gateway-clocks',
  title: 'gateways whose clock was reset, runs ahead, or says no offset',
  provokes: [400],
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    const nowMs = Date.now() + nemesis.shiftMs;
    const wrong = [
      ...['2000-01-01T00:00:00Z', '1970-01-01T00:00:07Z', '2026-03-02T08:00:00', '0001-01-01T00:00:00Z', '2026-02-30T08:00:00Z', ''],
      ...[1, 24, 24 * 400].map((hours) => new Date(nowMs + hours * HOUR_MS).toISOString()),
      new Date(nowMs - 90 * 24 * HOUR_MS).toISOString(),
    ];
    const repeats = nemesis.pick(2, 100);
    for (const [index, effective] of Array.from({ length: repeats }, () => wrong)
      .flat()
      .entries()) {
      const status = await answerTo(nemesis, effective, index);
      nemesis.claim(`a time such as "${effective}" waits or is refused, and is not ${status}`, [202, 400, 422].includes(status));
    }
    await load.stop();
  },
};

export const CLOCKS: readonly Fault[] = [ownClockSteps, gatewayClocks];

/** The process dies, or stands still. */
import type { Fault } from '../fault.ts';

/** Longer than a lease, so that what a dead process was sending comes up again. */
const LEASE_OVER_MS = 61_000;

const killUnderLoad: Fault = {
  name: 'kill-under-load',
  title: 'kill -9 at random moments under load',
  async run(nemesis) {
    const kills = nemesis.pick(20, 200);
    const load = nemesis.load({ clients: nemesis.pick(4, 16) });
    for (let kill = 0; kill < kills; kill += 1) {
      await load.until(nemesis.random.whole(1, nemesis.pick(30, 200)));
      await nemesis.wait(0, 40);
      await nemesis.kill();
      await nemesis.start();
    }
    await load.until(50);
    await load.stop();
    nemesis.claim('calls were cut off by the kills', load.silences >= kills);
  },
};

const killBeforeMark: Fault = {
  name: 'kill-before-mark',
  title: "kill -9 between the EHR's 201 and our mark",
  async run(nemesis) {
    const load = nemesis.load({ clients: 2 });
    await load.until(10);
    for (let kill = 0; kill < nemesis.pick(4, 100); kill += 1) {
      const applied = nemesis.ehr.untilFault();
      nemesis.ehr.plan({ do: 'apply-then', then: { spoil: 'hang' } });
      await applied;
      await nemesis.kill();
      nemesis.stepClock(LEASE_OVER_MS);
      await nemesis.start();
      await load.until(5);
    }
    await load.stop();
  },
};

export const KILLS: readonly Fault[] = [killUnderLoad, killBeforeMark];

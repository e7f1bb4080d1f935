/** The process dies, is asked to go, or stands still. */
import { join } from 'node:path';
import type { Fault } from '../fault.ts';
import { NotStarted } from '../service-process.ts';

/** Longer than a lease, so that what a dead process was sending comes up again. */
const LEASE_OVER_MS = 61_000;

const killUnderLoad: Fault = {
  name: 'kill-under-load',
  title: 'kill -9 at random moments under load',
  async run(nemesis) {
    const kills = nemesis.pick(20, 200);
    const load = nemesis.load({ clients: nemesis.pick(4, 16), paceMs: 5 });
    for (let kill = 0; kill < kills; kill += 1) {
      await load.until(nemesis.random.whole(1, nemesis.pick(30, 200)));
      await nemesis.wait(0, 40);
      await nemesis.kill();
      await nemesis.start();
    }
    await load.until(50);
    await load.stop();
    nemesis.claim('calls were cut off by the kills', nemesis.cutOff > 0);
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

const killAtStart: Fault = {
  name: 'kill-at-start',
  title: 'kill -9 while a store is made and brought up to date',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    const environment = { STEELYARD_DATABASE: join(nemesis.folder, 'second.db'), STEELYARD_PORT: '0' };
    for (let kill = 0; kill < nemesis.pick(6, 60); kill += 1) {
      const service = await nemesis.another(environment, { killAfterMs: nemesis.random.whole(200, 1_800) }).catch(endedEarly);
      await service?.kill();
    }
    const whole = await nemesis.another(environment);
    nemesis.claim('the store that was made in pieces can be used', await nemesis.isReadyAgain(whole));
    nemesis.claim('its service stops gracefully', (await whole.stop()) === 0);
    await load.stop();
  },
};

function endedEarly(error: unknown): undefined {
  if (!(error instanceof NotStarted)) throw error;
  return undefined;
}

const stopUnderLoad: Fault = {
  name: 'stop-under-load',
  title: 'SIGTERM and a new start under load',
  async run(nemesis) {
    const load = nemesis.load();
    const codes = [];
    for (let stop = 0; stop < nemesis.pick(3, 20); stop += 1) {
      await load.until(15);
      codes.push(await nemesis.stop());
      await nemesis.start();
    }
    await load.until(15);
    await load.stop();
    nemesis.claim(
      'each stop was a graceful one',
      codes.every((code) => code === 0),
    );
  },
};

const standStill: Fault = {
  name: 'stand-still',
  title: 'SIGSTOP until every lease has lapsed, then SIGCONT',
  async run(nemesis) {
    const load = nemesis.load();
    for (let stop = 0; stop < nemesis.pick(3, 10); stop += 1) {
      await load.until(10);
      const applied = nemesis.ehr.untilFault();
      nemesis.ehr.plan({ do: 'delay', ms: 300 });
      await nemesis.wait(0, 100);
      nemesis.service.pause();
      await Promise.race([applied, nemesis.wait(1_000)]);
      await nemesis.wait(nemesis.pick(500, 20_000));
      nemesis.stepClock(LEASE_OVER_MS);
      nemesis.service.resume();
    }
    await load.until(10);
    await load.stop();
  },
};

export const KILLS: readonly Fault[] = [killUnderLoad, killBeforeMark, killAtStart, stopUnderLoad, standStill];

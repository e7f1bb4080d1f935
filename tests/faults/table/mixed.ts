/** Everything at once and in any order, drawn by lot. */
import Database from 'better-sqlite3';
import type { Fault as EhrFault } from '../../../examples/receiver/faults.ts';
import type { Fault } from '../fault.ts';
import type { Nemesis } from '../nemesis.ts';

type Disturbance = (nemesis: Nemesis) => Promise<void>;

const EHR_TROUBLES: readonly EhrFault[] = [
  { do: 'reset' },
  { do: 'answer', status: 503, headers: { 'retry-after': '3' } },
  { do: 'apply-then', then: { spoil: 'reset' } },
  { do: 'apply-then', then: { spoil: 'truncate' } },
  { do: 'apply-then', then: { spoil: 'drop-entry' } },
  { do: 'apply-then', then: { spoil: 'replace', status: 500 } },
];

const DISTURBANCES: readonly Disturbance[] = [
  async (nemesis) => {
    await nemesis.kill();
    await nemesis.start();
  },
  async (nemesis) => {
    await nemesis.stop();
    await nemesis.start();
  },
  async (nemesis) => {
    nemesis.service.pause();
    await nemesis.wait(200, nemesis.pick(800, 10_000));
    nemesis.service.resume();
  },
  async (nemesis) => {
    const other = new Database(nemesis.database);
    other.exec('begin immediate');
    await nemesis.wait(200, nemesis.pick(1_500, 8_000));
    other.exec('rollback');
    other.close();
  },
  async (nemesis) => {
    await nemesis.ehr.down();
    await nemesis.wait(200, nemesis.pick(1_000, 10_000));
    await nemesis.ehr.up();
  },
  async (nemesis) => {
    nemesis.ehr.behave({ percent: nemesis.random.whole(10, 60), faults: EHR_TROUBLES });
    await nemesis.wait(200, nemesis.pick(2_000, 15_000));
    nemesis.ehr.behave();
  },
  async (nemesis) => {
    nemesis.stepClock(nemesis.random.whole(-30, 120) * 60_000);
    await Promise.resolve();
  },
];

export const MIXED: Fault = {
  name: 'mixed',
  title: 'kills, stops, standstills, locks, EHR troubles, clock steps, drawn by lot',
  async run(nemesis) {
    const load = nemesis.load({ clients: nemesis.pick(4, 8) });
    for (let round = 0; round < nemesis.pick(8, 90); round += 1) {
      await load.until(nemesis.pick(5, 100));
      await DISTURBANCES[nemesis.random.whole(0, DISTURBANCES.length - 1)]?.(nemesis);
    }
    await load.until(20);
    await load.stop();
  },
};

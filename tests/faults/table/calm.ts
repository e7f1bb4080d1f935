/** Nothing goes wrong: what the checker says of a good day, to hold all others against. */
import type { Fault } from '../fault.ts';

export const CALM: Fault = {
  name: 'calm',
  title: 'none, for comparison',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(nemesis.pick(60, 2_000));
    await load.stop();
    nemesis.claim('every call was answered', nemesis.cutOff === 0);
  },
};

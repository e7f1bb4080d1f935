/** The storage fails at its nth call: while the service works, and while it starts. */
import { join } from 'node:path';
import type { StorageErrors } from '../failing-storage.ts';
import type { Fault } from '../fault.ts';
import { NotStarted } from '../service-process.ts';

const CONFIGURATION_EXIT = 78;

const atWork: Fault = {
  name: 'storage-errors',
  title: 'an I/O error, or no room, at the nth call of the storage, again and again',
  environment: { FAULTS_STORAGE_ERRORS: 'on' },
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    const most = nemesis.pick(60, 1_000);
    nemesis.service.failStorage({ seed: nemesis.random.whole(1, 1_000_000), spread: 250, most });
    const met = await nemesis.until(() => nemesis.service.storageErrors.length >= most, nemesis.pick(60_000, 900_000));
    nemesis.claim(`${most} calls of the storage failed`, met);
    await load.until(20);
    await load.stop();
    for (const manner of ['nothing done', 'rolled back', 'committed'] as const)
      nemesis.claim(`a call failed and left behind: ${manner}`, nemesis.service.storageErrors.includes(manner));
    nemesis.claim('a gateway is told "not now"', nemesis.storeRefusals > 0);
    nemesis.claim('it is ready again without a restart', await nemesis.isReadyAgain());
  },
};

const atStart: Fault = {
  name: 'storage-error-at-start',
  title: 'an I/O error, or no room, at the nth call of the storage while a store is made and brought up to date',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    await load.stop();
    // a store that came to be is left alone: the next one is made anew, since making it takes the most calls
    let [made, refused] = [0, 0];
    const environment = () => ({ STEELYARD_DATABASE: join(nemesis.folder, `second-${made}.db`), STEELYARD_PORT: '0' });
    for (let tries = 0; tries < nemesis.pick(5, 60); tries += 1) {
      const errors: StorageErrors = { seed: nemesis.random.whole(1, 1_000_000), spread: 120, most: 1 };
      const service = await nemesis.another({ ...environment(), FAULTS_STORAGE_ERRORS: JSON.stringify(errors) }).catch(onlyNotStarted);
      if (service instanceof NotStarted) {
        refused += 1;
        const says = service.err.startsWith('STEELYARD_DATABASE: ') && service.err.trim().split('\n').length === 1;
        nemesis.claim(
          'a start that fails ends with 1 or 78 and one sentence',
          says && [1, CONFIGURATION_EXIT].includes(service.exit.code ?? -1),
        );
      } else {
        await service.kill();
        made += 1;
      }
    }
    nemesis.claim('a start was refused', refused > 0);
    const whole = await nemesis.another(environment());
    nemesis.claim('the store that was made in spite of errors can be used', await nemesis.isReadyAgain(whole));
    nemesis.claim('its service stops gracefully', (await whole.stop()) === 0);
  },
};

function onlyNotStarted(error: unknown): NotStarted {
  if (error instanceof NotStarted) return error;
  throw error;
}

export const STORAGE_ERRORS: readonly Fault[] = [atWork, atStart];

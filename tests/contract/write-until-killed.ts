/**
 * A process that stores readings without end and prints the id of each once it is told that the
 * reading is stored; tests kill it, or stop it for a while, after which what was not stored then is
 * only not printed. Arguments: store factory, location, round.
 */
import { writeSync } from 'node:fs';
import { StoreUnavailable } from '../../src/ports.ts';
import { SetClock, STORE_FACTORIES } from './store-factories.ts';
import { factsOf, observationContent, outboxItem, reading } from './store-samples.ts';

const [name, location, round] = process.argv.slice(2);
const factory = STORE_FACTORIES.find((one) => one.name === name);
if (factory === undefined || location === undefined) throw new Error('usage: write-until-killed.ts <store> <location> <round>');

const WRITERS = 8;
const store = await factory.openAt(location, new SetClock());

async function writeOnAndOn(writer: number): Promise<void> {
  for (let count = 0; ; count += 1) {
    const id = `r${round}-${writer}-${count}`;
    const isStored = await store
      .write(async (tx) => {
        await tx.putObservation(id, observationContent('70.0'), factsOf(reading(id, 1)));
        await tx.addFingerprint(`fingerprint of ${id}`, id);
        await tx.enqueue(outboxItem('Patient/wren-alder', [id]));
        return true;
      })
      .catch((error: unknown) => {
        if (error instanceof StoreUnavailable) return false;
        throw error;
      });
    if (isStored) writeSync(1, `${id}\n`);
  }
}

await Promise.all(Array.from({ length: WRITERS }, (_, writer) => writeOnAndOn(writer)));

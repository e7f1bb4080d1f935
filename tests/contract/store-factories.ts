/** The stores that the contract is held to; another database joins by one more entry. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Clock, Store } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';

export interface StoreFactory {
  readonly name: string;
  /** Opens the store at a location, in this process or in another. */
  openAt(location: string, clock: Clock): Promise<Store>;
  /** An empty place for one store; `open` may be called on it again and again. */
  newPlace(): { readonly location: string; open(clock: Clock): Promise<Store>; remove(): void };
}

const sqlite: StoreFactory = {
  name: 'SQLite',
  openAt: (location, clock) => openSqliteStore(location, { clock }),
  newPlace() {
    const folder = mkdtempSync(join(tmpdir(), 'steelyard-contract-'));
    const location = join(folder, 'ward.db');
    return {
      location,
      open: (clock) => sqlite.openAt(location, clock),
      remove: () => rmSync(folder, { recursive: true, force: true }),
    };
  },
};

export const STORE_FACTORIES: readonly StoreFactory[] = [sqlite];

/** A clock that stands until a test moves it. */
export class SetClock implements Clock {
  ms: number;

  constructor(ms = Date.UTC(2026, 2, 14, 8)) {
    this.ms = ms;
  }

  nowMs(): number {
    return this.ms;
  }
}

/** Opens an empty store around each test of a suite. */
export interface StoreUnderTest {
  readonly store: Store;
  readonly clock: SetClock;
  /** Closes the store and opens it again, as a restart does. */
  reopen(): Promise<Store>;
}

export async function openForTest(factory: StoreFactory): Promise<StoreUnderTest & { end(): Promise<void> }> {
  const place = factory.newPlace();
  const clock = new SetClock();
  let store = await place.open(clock);
  return {
    get store() {
      return store;
    },
    clock,
    async reopen() {
      await store.close();
      store = await place.open(clock);
      return store;
    },
    async end() {
      await store.close();
      place.remove();
    },
  };
}

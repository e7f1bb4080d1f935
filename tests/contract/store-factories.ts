/** The stores that the contract is held to; another database joins by one more entry. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Clock, Store } from '../../src/ports.ts';
import { openPostgresStore } from '../../src/store/postgres.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';

export interface StoreFactory {
  readonly name: string;
  /** Opens the store at a location, in this process or in another. */
  openAt(location: string, clock: Clock): Promise<Store>;
  /** An empty place for one store; `open` may be called on it again and again. */
  newPlace(): Promise<Place>;
}

export interface Place {
  readonly location: string;
  open(clock: Clock): Promise<Store>;
  remove(): Promise<void>;
}

const sqlite: StoreFactory = {
  name: 'SQLite',
  openAt: (location, clock) => openSqliteStore(location, { clock }),
  async newPlace() {
    const folder = mkdtempSync(join(tmpdir(), 'steelyard-contract-'));
    const location = join(folder, 'ward.db');
    return {
      location,
      open: (clock) => sqlite.openAt(location, clock),
      remove: async () => rmSync(folder, { recursive: true, force: true }),
    };
  },
};

/** Time is the test's own, so leases are measured by it too. */
const postgresql: StoreFactory = {
  name: 'PostgreSQL',
  openAt: (location, clock) => openPostgresStore(location, { clock, leaseClock: 'caller' }),
  async newPlace() {
    // loaded here, since it needs vitest, and a child of a test is without it
    const place = await (await import('../postgres-setup.ts')).passingStore();
    return { location: place.url, open: (clock) => postgresql.openAt(place.url, clock), remove: () => place.remove() };
  },
};

export const STORE_FACTORIES: readonly StoreFactory[] = [sqlite, postgresql];

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
  const place = await factory.newPlace();
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
      await place.remove();
    },
  };
}

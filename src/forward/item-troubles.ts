/**
 * How items fail one by one: how often in a row, and whether the trouble is an item's own.
 *
 * An item that fails again and again while others get through in between says nothing about the EHR:
 * it waits by itself and must not keep a ward waiting. Kept in memory; after a restart counting
 * begins anew.
 */

/** So often others must get through between an item's failures (rule of thumb). */
const OFTEN = 2;

/** Failing items that are remembered; the breaker sees to it that there are few. */
const MOST_ITEMS = 10_000;

interface Trouble {
  readonly failures: number;
  /** Failures since which others had got through. */
  readonly alone: number;
  readonly throughThen: number;
}

export class ItemTroubles {
  readonly #items = new Map<number, Trouble>();
  #through = 0;

  /** Failures in a row, this one among them. */
  failed(item: number): { readonly failures: number; readonly isItsOwn: boolean } {
    const { failures, alone, throughThen } = this.#items.get(item) ?? { failures: 0, alone: 0, throughThen: this.#through };
    const now = { failures: failures + 1, alone: alone + (this.#through > throughThen ? 1 : 0), throughThen: this.#through };
    this.#items.delete(item);
    this.#items.set(item, now);
    const [oldest] = this.#items.keys();
    if (this.#items.size > MOST_ITEMS && oldest !== undefined) this.#items.delete(oldest);
    return { failures: now.failures, isItsOwn: now.alone >= OFTEN };
  }

  /** Items that failed and were not settled since, those that failed last, at most `limit`. */
  lately(limit: number): readonly number[] {
    return [...this.#items.keys()].slice(-limit);
  }

  /** The EHR took the item, or refused it for good. */
  settled(item: number): void {
    this.#through += 1;
    this.#items.delete(item);
  }
}

/**
 * Reads a sample of what was sent at the EHR afterwards, and compares. An answer of success says that
 * something was stored, not what.
 *
 * In the background, one read at a time, from a list that does not grow beyond its bound: sending
 * never waits for it. Nothing is ever overwritten; a difference is for people.
 */
import { isJsonObject, parseExactJson } from '../core/json.ts';
import type { EhrCopy, OutboxItem, OutboxStore, StoreReader } from '../ports.ts';
import { differencesOf, type CopyElement } from './copy-differences.ts';
import type { Ehr } from './ehr-client.ts';
import type { ForwardEvents, ForwardLog, ReadBackResult } from './events.ts';
import { identityValueIn } from './identity.ts';
import { readCopy } from './look-up.ts';

export interface ReadBackOptions {
  readonly ehr: Ehr;
  readonly outbox: OutboxStore;
  readonly read: StoreReader;
  readonly log: ForwardLog;
  readonly events: ForwardEvents;
  /** In [0, 1): which of them are read. */
  readonly random: () => number;
  /** Share of the sent Observations, 0 to 100. */
  readonly percent: number;
  /** False while nothing ought to be asked of the EHR. */
  readonly mayAsk: () => boolean;
}

/** So many reads may wait; what is sampled beyond them is left out. */
const MOST_WAITING = 100;

interface Sample {
  readonly item: OutboxItem;
  readonly copy: EhrCopy;
}

export class ReadBack {
  readonly #options: ReadBackOptions;
  readonly #waiting: Sample[] = [];
  readonly #abort = new AbortController();
  #running: Promise<void> | undefined;

  constructor(options: ReadBackOptions) {
    this.#options = options;
  }

  /** Picks from what an item sent; returns at once. */
  note(item: OutboxItem, copies: readonly EhrCopy[]): void {
    const { random, percent } = this.#options;
    for (const copy of copies) {
      if (copy.type !== 'Observation' || percent <= 0 || random() * 100 >= percent) continue;
      if (this.#waiting.length >= MOST_WAITING || this.#abort.signal.aborted) this.#told('unread');
      else this.#waiting.push({ item, copy });
    }
    if (this.#waiting.length > 0) this.#running ??= this.#run();
  }

  /** Cuts off what is under way and resolves when nothing is. */
  async stop(): Promise<void> {
    this.#abort.abort();
    this.#waiting.length = 0;
    await this.#running;
  }

  async #run(): Promise<void> {
    for (let sample = this.#waiting.shift(); sample !== undefined; sample = this.#waiting.shift()) {
      // a store that cannot be read now takes nothing but this sample
      this.#told(await this.#compare(sample).catch(() => 'unread' as const));
    }
    this.#running = undefined;
  }

  #told(result: ReadBackResult): void {
    this.#options.events.readBack?.(result);
  }

  async #compare({ item, copy }: Sample): Promise<ReadBackResult> {
    const { ehr, outbox, read, log, events, mayAsk } = this.#options;
    if (!mayAsk()) return 'unread';
    const found = await readCopy(ehr, copy.reference, `outbox-${item.number}-${item.tries}-read`, this.#abort.signal);
    // a later version may have gone out in the meantime, and then the copy is that one
    const current = await read.current('Observation', copy.id);
    if (found.kind !== 'found' || current === undefined || current.version !== copy.version) return 'unread';
    const sent = parseExactJson(current.text);
    if (!sent.ok || !isJsonObject(sent.value) || found.copy === undefined) return 'unread';
    const elements: readonly CopyElement[] = [
      ...differencesOf(sent.value, found.copy.content),
      ...(identityValueIn('Observation', found.copy.content) === undefined ? (['identifier'] as const) : []),
    ];
    if (elements.length === 0) return 'same';
    await outbox.flag(item.number, alteredNote(elements));
    log.error({ item: item.number, tries: item.tries, elements }, 'read-back differs');
    events.altered?.(item, elements);
    return 'differs';
  }
}

/** Stands with the sent item, for `steelyard outbox list --state sent`. */
export function alteredNote(elements: readonly CopyElement[]): string {
  return `the EHR keeps it otherwise than it was sent: ${elements.join(', ')}`;
}

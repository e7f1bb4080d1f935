/**
 * A ward for the forwarding tests: a real store, a real receiver on loopback, a clock that stands
 * still, and readings of invented people written straight into the store.
 */
import { EhrClient } from '../../src/forward/ehr-client.ts';
import type { ForwardLogFields } from '../../src/forward/events.ts';
import { ForwardWorker, type ForwardWorkerOptions } from '../../src/forward/worker.ts';
import { parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { HELD_TAG, OURS, PARENT_CODE, type Quantified } from '../../src/core/terminology.ts';
import type { OutboxItem, OutboxStore, Store, StoreWriter, VersionedReference } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { startReceiver, type Receiver, type ReceiverOptions } from '../../examples/receiver/receiver.ts';

/** Stands in every resource where a person could be recognised; must appear in no URL and no log line. */
export const MARKER = 'Zzyzx-Harbourlight-Invented';

export const NOON = Date.parse('2026-03-02T12:00:00Z');

export interface Ward {
  readonly store: Store;
  readonly receiver: Receiver;
  readonly clock: { nowMs(): number; advance(ms: number): void };
  /** `sent 1`, `postponed 2 unclear`, `parked 3`, in the order in which the rows said so. */
  readonly events: string[];
  /** `altered 1 value unit`, `late 2`, `read-back same`, `breaker open`, in order. */
  readonly notices: string[];
  readonly logged: { readonly level: string; readonly fields: ForwardLogFields; readonly message: string }[];
  /** Starts one more worker on the same store. */
  forward(options?: Partial<ForwardWorkerOptions> & { readonly timeoutMs?: number; readonly url?: string }): ForwardWorker;
  /** Resolves when so many events have come in all. */
  untilEvents(count: number): Promise<void>;
  /** Resolves when this notice has come so often in all. */
  untilNotice(notice: string, times?: number): Promise<void>;
  item(number: number): Promise<OutboxItem>;
  /** A worker is asking the outbox, or has an item in hand: the clock must stand still. */
  isBusy(): boolean;
  close(): Promise<void>;
}

/** The outbox, and what workers are doing with it: which of its calls are under way, which items were claimed and not written down. */
function overseen(outbox: OutboxStore): { readonly outbox: OutboxStore; readonly isBusy: () => boolean } {
  const inHand = new Set<number>();
  let asking = 0;
  const during = async <Result>(call: () => Promise<Result>): Promise<Result> => {
    asking += 1;
    try {
      return await call();
    } finally {
      asking -= 1;
    }
  };
  const settling = <Result>(number: number, call: () => Promise<Result>): Promise<Result> =>
    during(call).finally(() => inHand.delete(number));
  const watching: Partial<OutboxStore> = {
    claim: (...args) =>
      during(async () => {
        const items = await outbox.claim(...args);
        for (const { number } of items) inHand.add(number);
        return items;
      }),
    markSent: (number, ...rest) => settling(number, () => outbox.markSent(number, ...rest)),
    postpone: (number, ...rest) => settling(number, () => outbox.postpone(number, ...rest)),
    park: (number, ...rest) => settling(number, () => outbox.park(number, ...rest)),
  };
  // a store's own methods must be called on the store
  const bound = new Proxy(outbox, {
    get: (target, name) => {
      const member: unknown = Reflect.get(watching, name) ?? Reflect.get(target, name);
      return typeof member === 'function' && !(name in watching) ? (member.bind(target) as unknown) : member;
    },
  });
  return { outbox: bound, isBusy: () => asking > 0 || inHand.size > 0 };
}

export async function openWard(options: Omit<ReceiverOptions, 'port'> = {}): Promise<Ward> {
  let nowMs = NOON;
  const clock = { nowMs: () => nowMs, advance: (ms: number) => void (nowMs += ms) };
  const store = await openSqliteStore(':memory:', { clock });
  const receiver = await startReceiver({ port: 0, ...options });
  const events: string[] = [];
  const notices: string[] = [];
  const waiting: { readonly isDone: () => boolean; readonly resolve: () => void }[] = [];
  const logged: Ward['logged'] = [];
  const workers: ForwardWorker[] = [];
  const clients: EhrClient[] = [];
  const busy: (() => boolean)[] = [];

  const recordIn = (list: string[], event: string): void => {
    list.push(event);
    for (const { isDone, resolve } of waiting) if (isDone()) resolve();
  };
  const record = (event: string): void => recordIn(events, event);
  const notice = (event: string): void => recordIn(notices, event);
  const until = (isDone: () => boolean): Promise<void> =>
    isDone() ? Promise.resolve() : new Promise((resolve) => waiting.push({ isDone, resolve }));
  const logAt = (level: string) => (fields: ForwardLogFields, message: string) => void logged.push({ level, fields, message });

  return {
    store,
    receiver,
    clock,
    events,
    notices,
    logged,
    forward({ timeoutMs = 2_000, url = receiver.url, outbox = store.outbox, ...workerOptions } = {}) {
      const ehr = new EhrClient({ baseUrl: url, timeoutMs });
      clients.push(ehr);
      const seen = overseen(outbox);
      busy.push(seen.isBusy);
      const worker = new ForwardWorker({
        outbox: seen.outbox,
        read: store.read,
        ehr,
        clock,
        random: () => 0.5,
        log: { debug: logAt('debug'), info: logAt('info'), warn: logAt('warn'), error: logAt('error') },
        events: {
          sent: ({ number }) => record(`sent ${number}`),
          postponed: ({ number }, kind) => record(`postponed ${number} ${kind}`),
          parked: ({ number }) => record(`parked ${number}`),
          altered: ({ number }, elements) => notice(`altered ${number} ${elements.join(' ')}`),
          late: ({ number }) => notice(`late ${number}`),
          breaker: (state) => notice(`breaker ${state}`),
          readBack: (result) => notice(`read-back ${result}`),
        },
        pollMs: 60_000,
        ...workerOptions,
      });
      workers.push(worker);
      worker.start();
      return worker;
    },
    untilEvents: (count) => until(() => events.length >= count),
    untilNotice: (wanted, times = 1) => until(() => notices.filter((one) => one === wanted).length >= times),
    async item(number) {
      const item = (await store.outbox.list({ limit: 1000 })).find((one) => one.number === number);
      if (item === undefined) throw new RangeError(`there is no outbox item ${number}`);
      return item;
    },
    isBusy: () => busy.some((isBusy) => isBusy()),
    async close() {
      await Promise.all(workers.map((worker) => worker.stop(0)));
      await receiver.close();
      await Promise.all(clients.map((client) => client.close()));
      await store.close();
    },
  };
}

export interface InventedReading {
  readonly of: Quantified;
  readonly id: string;
  /** What its gateway calls it; `id` when absent, nothing when empty. */
  readonly sentAs?: string;
  readonly person?: string;
  readonly digits: string;
  readonly status?: string;
  readonly isHeld?: boolean;
  readonly derivedFrom?: readonly string[];
  readonly at?: string;
  readonly device?: string;
}

const UNIT: Readonly<Record<Quantified, string>> = { weight: 'kg', height: 'cm', bmi: 'kg/m2' };

/** An Observation as the service stores it, number digits exactly as given. */
export function observationText(reading: InventedReading): string {
  const { of, id, sentAs = id, person = 'Patient/lantern-1', digits, status = 'final', isHeld = false, derivedFrom } = reading;
  const { at = '2026-03-02T11:30:00+01:00', device = 'Device/scale-7' } = reading;
  const sent = sentAs === '' ? '' : `{"system":"urn:gateway","value":"${MARKER}-${sentAs}"},`;
  const tag = isHeld ? `,"tag":[${JSON.stringify(HELD_TAG)}]` : '';
  const derived = derivedFrom === undefined ? '' : `,"derivedFrom":${JSON.stringify(derivedFrom.map((reference) => ({ reference })))}`;
  return `{"resourceType":"Observation","id":"${id}","meta":{"profile":["${OURS.bodyWeightProfile}"]${tag}},"identifier":[${sent}{"system":"${OURS.observationIdentifier}","value":"${id}"}],"status":"${status}","code":{"coding":[{"system":"http://loinc.org","code":"${PARENT_CODE[of].code}"}]},"subject":{"reference":"${person}","display":"${MARKER}"},"effectiveDateTime":"${at}","device":{"reference":"${device}"},"valueQuantity":{"value":${digits},"unit":"${UNIT[of]}","system":"http://unitsofmeasure.org","code":"${UNIT[of]}"}${derived}}`;
}

function exact(text: string): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new TypeError(parsed.problem.reason);
  return parsed.value as JsonObject;
}

/** Stores the next version of each reading with a Provenance for it, and files them as one outbox item. */
export async function take(store: Store, readings: readonly [InventedReading, ...InventedReading[]], nowMs = NOON): Promise<number> {
  return store.write(async (tx) => {
    const written = [];
    for (const reading of readings) written.push(await put(tx, reading, nowMs));
    return tx.enqueue({
      person: personOf(readings[0]),
      resources: [...written.map(({ observation }) => observation), ...written.map(({ provenance }) => provenance)],
      concerns: readings.flatMap(({ id, derivedFrom = [] }) => [
        id,
        ...derivedFrom.map((reference) => reference.slice('Observation/'.length)),
      ]),
      queuedAt: new Date(nowMs).toISOString(),
    });
  });
}

/** Stores the next version of a reading with a Provenance for it and files nothing, as when no EHR is configured. */
export async function keep(store: Store, reading: InventedReading): Promise<void> {
  await store.write((tx) => put(tx, reading, NOON));
}

function personOf({ person = 'Patient/lantern-1' }: InventedReading): string {
  return person;
}

async function put(
  tx: StoreWriter,
  reading: InventedReading,
  nowMs: number,
): Promise<Record<'observation' | 'provenance', VersionedReference>> {
  const { id, of, status = 'final', isHeld = false } = reading;
  const { version } = await tx.putObservation(id, exact(observationText(reading)), {
    of,
    person: personOf(reading),
    status,
    held: isHeld,
    startMs: nowMs,
    endMs: nowMs,
    codes: [],
    identifiers: [{ system: OURS.observationIdentifier, value: id }],
    categories: [],
    tags: [],
    derivedFrom: [],
  });
  const provenanceId = `prov-${id}-${version}`;
  await tx.putRegistry('Provenance', provenanceId, exact(provenanceText(provenanceId, reading, version)), {
    identifiers: [],
    references: [],
  });
  return { observation: { type: 'Observation', id, version }, provenance: { type: 'Provenance', id: provenanceId, version: 1 } };
}

function provenanceText(id: string, { id: target, derivedFrom = [] }: InventedReading, version: number): string {
  const entity = derivedFrom.map((reference) => ({ role: 'derivation', what: { reference } }));
  return JSON.stringify({
    resourceType: 'Provenance',
    id,
    meta: { tag: [{ system: OURS.provenanceTag, code: id }] },
    target: [{ reference: `Observation/${target}/_history/${version}` }],
    recorded: '2026-03-02T12:00:00Z',
    agent: [{ who: { display: 'Steelyard' } }],
    ...(entity.length === 0 ? {} : { entity }),
  });
}

/** Texts of the Observations at the receiver that bear our identifier `id`. */
export function copiesOf(receiver: Receiver, id: string): readonly string[] {
  const token = `"system":"${OURS.observationIdentifier}","value":"${id}"`;
  return receiver
    .resources()
    .map(({ text }) => text)
    .filter((text) => text.includes(token));
}

/** What a criterion is, and the questions that several of them ask. Pure. */
import { digestOf, handsOver, keyOf, observationsIn, type Exchange } from './exchange.ts';
import type { JsonObject } from '../../core/json.ts';
import type { FaultName } from './faults.ts';

export type Judgement = 'right' | 'wrong' | 'not seen';

export interface Finding {
  readonly judgement: Judgement;
  /** One sentence on what was seen; names no person. */
  readonly seen: string;
}

export interface Criterion {
  readonly id: string;
  /** `must`: a gateway that does otherwise loses readings, doubles them or has them refused. */
  readonly level: 'must' | 'should';
  readonly asks: string;
  readonly source: string;
  readonly remedy: string;
  readonly judge: (heard: Heard) => Finding;
}

/** Everything that came, and when the examination ended. */
export interface Heard {
  readonly exchanges: readonly Exchange[];
  readonly endedMs: number;
}

/** How long a gateway has to come again after it was told to, or was cut off. Common practice, no source. */
export const PATIENCE_MS = 30_000;

export const NOT_SEEN: Finding = { judgement: 'not seen', seen: 'It did not come about.' };
export const right = (seen: string): Finding => ({ judgement: 'right', seen });
export const wrong = (seen: string): Finding => ({ judgement: 'wrong', seen });

/** In the order in which they came. */
export function handedOver({ exchanges }: Heard): Exchange[] {
  // a slow answer ends after that to a call that came later
  return exchanges.filter(handsOver).sort((one, other) => one.arrivedMs - other.arrivedMs);
}

/** Each reading once, as it first came. */
export function readings(heard: Heard): JsonObject[] {
  const first = new Map<string, Exchange>();
  for (const exchange of handedOver(heard)) if (!first.has(keyOf(exchange))) first.set(keyOf(exchange), exchange);
  return [...first.values()].flatMap(observationsIn);
}

/** Holds for every one of them, or counts those for which it does not. */
export function every<Item>(items: readonly Item[], holds: (item: Item) => boolean, what: string): Finding {
  if (items.length === 0) return NOT_SEEN;
  const failing = items.filter((item) => !holds(item)).length;
  return failing === 0 ? right(`All ${items.length} ${what}.`) : wrong(`Not so of ${failing} of ${items.length}: ${what}.`);
}

export interface Faulted {
  readonly met: Exchange;
  /** The same reading, sent after that. */
  readonly resends: readonly Exchange[];
}

/** Readings that met a fault, each from its first meeting on. */
export function faulted(heard: Heard, fault: FaultName): Faulted[] {
  const calls = handedOver(heard);
  return calls.flatMap((met, index) =>
    met.fault === fault ? [{ met, resends: calls.slice(index + 1).filter((later) => keyOf(later) === keyOf(met)) }] : [],
  );
}

/** It came again, unchanged and not too early; `fault` is one that asks for that. */
export function cameAgain(heard: Heard, fault: FaultName): Finding {
  const found = faulted(heard, fault).map(({ met, resends: [next] }): Finding => {
    const from = Math.max(met.endedMs, met.notBeforeMs ?? 0);
    if (next === undefined)
      return heard.endedMs - from < PATIENCE_MS ? NOT_SEEN : wrong(`The reading did not come again within ${PATIENCE_MS / 1000} s.`);
    if (met.notBeforeMs !== undefined && next.arrivedMs < met.notBeforeMs)
      return wrong(`It came again ${seconds(met.notBeforeMs - next.arrivedMs)} too early.`);
    return digestOf(next) === digestOf(met)
      ? right(`It came again unchanged after ${seconds(next.arrivedMs - met.endedMs)}.`)
      : wrong('It came again with another body under the same identifier.');
  });
  return worst(found);
}

/** It was never sent again as it was. */
export function stayedAway(heard: Heard, fault: FaultName): Finding {
  const found = faulted(heard, fault).map(({ met, resends }): Finding => {
    const same = resends.filter((later) => digestOf(later) === digestOf(met));
    if (same.length > 0) return wrong(`It was sent again unchanged, ${same.length} times.`);
    return heard.endedMs - met.endedMs < PATIENCE_MS ? NOT_SEEN : right(`It was not sent again within ${PATIENCE_MS / 1000} s.`);
  });
  return worst(found);
}

export function worst(found: readonly Finding[]): Finding {
  return (
    found.find(({ judgement }) => judgement === 'wrong') ?? found.find(({ judgement }) => judgement === 'right') ?? found[0] ?? NOT_SEEN
  );
}

function seconds(ms: number): string {
  return `${(ms / 1000).toFixed(1)} s`;
}

/**
 * Two invented people, whoever decides on their held readings and takes that back, and an EHR that
 * takes what is due at moments of its own. The EHR is told what a worker would send, and refuses to
 * be told what it must never hear.
 */
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { isHeld, isRepeat, type ExactObservation } from '../../src/core/observation.ts';
import type { DecisionCode } from '../../src/core/reading.ts';
import { SYSTEM } from '../../src/core/terminology.ts';
import { ServiceError } from '../../src/errors.ts';
import { gatherItem } from '../../src/forward/outgoing-item.ts';
import { parsed } from '../arrived.ts';
import { NOW } from '../measurements.ts';
import { decide, undo } from '../ingest/decisions-asked.ts';
import { openDesk, type Desk } from '../ingest/desk.ts';
import { Life, type Step } from './life.ts';

const LEASE_MS = 60_000;

export type WorldStep =
  | { readonly kind: 'life'; readonly person: 0 | 1; readonly step: Exclude<Step, { kind: 'born' }> }
  | { readonly kind: 'decide'; readonly name: string; readonly code: DecisionCode; readonly value: string }
  | { readonly kind: 'undo'; readonly name: string }
  | { readonly kind: 'ehr'; readonly outcome: 'sent' | 'unclear' | 'lost' }
  | { readonly kind: 'pass'; readonly seconds: number };

export class World {
  readonly desk: Desk;
  readonly lives: readonly [Life, Life];
  /** What the EHR has, by our id: the newest version that reached it. */
  readonly ehr = new Map<string, { readonly version: number; readonly content: JsonObject }>();
  readonly #time: { nowMs: number };
  readonly #personOf = new Map<string, 0 | 1>();
  readonly #movedTo = new Map<string, string>();

  private constructor(desk: Desk, time: { nowMs: number }) {
    this.desk = desk;
    this.#time = time;
    this.lives = [new Life(desk, 'ada'), new Life(desk, 'bo')];
  }

  static async open(): Promise<World> {
    const time = { nowMs: Date.parse(NOW) };
    return new World(await openDesk({ clock: { nowMs: () => time.nowMs } }), time);
  }

  /** `done`, or the code of the error that it was answered with. */
  async take(step: WorldStep): Promise<string> {
    try {
      await this.#take(step);
      return 'done';
    } catch (error) {
      if (error instanceof ServiceError) return error.code;
      throw error;
    }
  }

  async #take(step: WorldStep): Promise<void> {
    switch (step.kind) {
      case 'pass':
        this.#time.nowMs += step.seconds * 1000;
        return;
      case 'ehr':
        await this.#send(step.outcome);
        return;
      case 'life':
        this.#personOf.set(step.step.reading.name, step.person);
        return this.lives[step.person].take(step.step);
      case 'decide':
        return this.#decide(step);
      case 'undo':
        await undo(this.desk, this.#idOf(step.name));
    }
  }

  async #decide({ name, code, value }: Extract<WorldStep, { kind: 'decide' }>): Promise<void> {
    const other = this.#personOf.get(name) === 0 ? 'bo' : 'ada';
    const quantity = { value: exactNumber(value), unit: 'kg', system: SYSTEM.ucum, code: 'kg' };
    const answer = await decide(this.desk, this.#idOf(name), {
      decision: code,
      ...(code === 'correct' && { value: quantity }),
      ...(code === 'wrong-person' && { subject: { reference: `Patient/${other}` } }),
    });
    if (answer.verdict === 'refused') throw new ServiceError('ERR_BAD_VALUE', 'refused by a rule');
    if (answer.moved) this.#movedTo.set(name, answer.moved.id);
  }

  #idOf(name: string): string {
    const id = this.lives[0].idOf(name) ?? this.lives[1].idOf(name);
    if (id === undefined) throw new ServiceError('ERR_NOT_FOUND', 'not sent yet');
    return id;
  }

  /** Everything that is due, once; `unclear` reaches the EHR and nobody here knows. */
  async #send(outcome: 'sent' | 'unclear' | 'lost'): Promise<number> {
    const { outbox, read } = this.desk.store;
    const items = await outbox.claim(this.#time.nowMs, LEASE_MS, 10);
    for (const item of items) {
      const { resources } = await gatherItem(item, read, outbox);
      if (outcome !== 'lost')
        for (const { type, id, version, content } of resources) if (type === 'Observation') this.#arrives(id, version, content);
      const copies = resources.map(({ type, id, version }) => ({ type, id, version, reference: `${type}/there-${id}` }));
      if (outcome === 'sent') await outbox.markSent(item.number, copies, { tries: item.tries });
      else await outbox.postpone(item.number, this.#time.nowMs, 'the EHR did not answer', item.tries);
    }
    return items.length;
  }

  #arrives(id: string, version: number, content: JsonObject): void {
    const observation = content as unknown as ExactObservation;
    const isKnown = this.ehr.has(id);
    if (isHeld(observation) && !isKnown) throw new Error(`the EHR is told of ${id}, which is held`);
    if (isRepeat(observation) && !isKnown) throw new Error(`the EHR is told of ${id}, which repeats another`);
    if (observation.status === 'entered-in-error' && !isKnown)
      throw new Error(`the EHR is told of the withdrawal of ${id}, which it never had`);
    if (version >= (this.ehr.get(id)?.version ?? 0)) this.ehr.set(id, { version, content });
  }

  /** Names of what waits for a decision. */
  async heldNames(): Promise<string[]> {
    const held: string[] = [];
    for (const name of this.#personOf.keys()) if ((await this.desk.store.read.readingOf(this.#idOf(name)))?.held) held.push(name);
    return held;
  }

  /** Until nothing is left to send. */
  async drain(): Promise<void> {
    this.#time.nowMs += 400_000;
    while ((await this.#send('sent')) > 0);
  }

  /** What the EHR shows as valid, under the senders' names and without the marks of a version. */
  chart(except: readonly string[] = []): string[] {
    return [...this.ehr]
      .flatMap(([id, { content }]) => (isValid(content) && !except.includes(this.#named(id)) ? [this.#inNames(content)] : []))
      .sort();
  }

  /** What the EHR was told of and is to show as doubtful or void. */
  struck(): string[] {
    return [...this.ehr].flatMap(([id, { content }]) => (isValid(content) ? [] : [this.#named(id)])).sort();
  }

  /** What it ought to show: everything that stands here. */
  async standing(): Promise<string[]> {
    const { resources } = await this.desk.store.read.searchObservations({ includeHeld: false, sort: [], count: 1000 });
    return resources.flatMap(({ text }) => (isValid(parsed(text)) ? [this.#inNames(parsed(text))] : [])).sort();
  }

  #inNames(content: JsonObject): string {
    const { meta, ...rest } = content;
    const { versionId: _version, lastUpdated: _updated, ...marks } = meta as JsonObject;
    return this.#named(JSON.stringify({ ...rest, meta: marks }));
  }

  #named(text: string): string {
    const names = new Map<string, string>();
    for (const name of this.#personOf.keys()) {
      const id = this.lives[0].idOf(name) ?? this.lives[1].idOf(name);
      if (id !== undefined) names.set(id, name);
    }
    for (const [name, id] of this.#movedTo) names.set(id, `moved-${name}`);
    return text.replace(/r\d{5}/g, (id) => names.get(id) ?? id);
  }
}

function isValid(content: JsonObject): boolean {
  const observation = content as unknown as ExactObservation;
  return !isHeld(observation) && !isRepeat(observation) && observation.status !== 'entered-in-error';
}

/**
 * Simulated gateways: each has one keep-alive connection and works off story after story. What was
 * not answered, or answered "not now", is sent again until it is settled, as a gateway does that
 * deletes its copy only then. Every call leaves a line in the history before and after it.
 */
import { Agent } from 'node:http';
import { setTimeout as pause } from 'node:timers/promises';
import type { Random } from '../../examples/simulator/random.ts';
import { isJsonObject, parseExactJson } from '../../src/core/json.ts';
import { readingAnswers, recordedCall, type HttpAnswer } from './gateway-call.ts';
import { bundleText, observationText, storyOf, type Step } from './gateway-plan.ts';
import type { CallLine, History, SentReading } from './history.ts';

export interface GatewaysOptions {
  /** Where the service listens now, without a slash at its end; client `n` may have one of its own. */
  readonly url: (client: number) => string;
  readonly history: History;
  readonly random: Random;
  readonly clients: number;
  /** Pause of each client between two steps. */
  readonly paceMs?: number;
  readonly nowMs?: () => number;
  /** Part of every name, so that two loads of one run are about different people. */
  readonly name?: string;
}

/** A real gateway waits as long as `Retry-After` says; here time is short. */
const RETRY_MS = 60;
/** The service knows this now and nobody has to say it again. */
const isSettled = ({ status }: { readonly status: number }): boolean => status >= 200 && status < 500 && ![408, 412, 429].includes(status);

export class Gateways {
  acknowledged = 0;
  readonly #options: Required<GatewaysOptions>;
  readonly #places = new Map<string, string>();
  readonly #waiting: { readonly count: number; readonly resolve: () => void }[] = [];
  readonly #finished: Promise<unknown>;
  #isStopping = false;
  #isAbandoned = false;

  constructor(options: GatewaysOptions) {
    this.#options = { paceMs: 0, nowMs: Date.now, name: 'p', ...options };
    this.#finished = Promise.all(Array.from({ length: options.clients }, (_, client) => this.#run(client)));
  }

  /** Resolves when so many readings more were acknowledged. */
  until(more: number): Promise<void> {
    const count = this.acknowledged + more;
    return new Promise((resolve) => this.#waiting.push({ count, resolve }));
  }

  /** Begins no new step; resolves when all that was begun is settled. Throws when that takes too long. */
  async stop(boundMs = 60_000): Promise<void> {
    this.#isStopping = true;
    const cutOff = setTimeout(() => (this.#isAbandoned = true), boundMs);
    await this.#finished;
    clearTimeout(cutOff);
    if (this.#isAbandoned) throw new Error(`the gateways had no settling answer within ${boundMs} ms`);
  }

  async #run(client: number): Promise<void> {
    const { random, paceMs, nowMs, name } = this.#options;
    const agent = new Agent({ keepAlive: true, maxSockets: 1 });
    for (let told = 0; !this.#isStopping; told += 1) {
      for (const step of storyOf(`${name}${client}-${told}`, random.branch(client * 10_000 + told), nowMs())) {
        if (this.#isStopping) break;
        await (step.do === 'send' ? this.#send(client, step, agent) : this.#correct(client, step.reading, agent));
        if (paceMs > 0) await pause(paceMs);
      }
    }
    agent.destroy();
  }

  async #send(client: number, { readings, as }: Extract<Step, { readonly do: 'send' }>, agent: Agent): Promise<void> {
    const [first] = readings;
    if (first === undefined) return;
    const path = as === 'single' ? '/fhir/Observation' : '/fhir';
    const body = as === 'single' ? observationText(first) : bundleText(as, readings);
    while (!this.#isAbandoned) {
      const answer = await this.#call({ method: 'POST', client, readings }, path, { body, agent });
      if (answer !== undefined && readingAnswers(answer, readings.length).every(isSettled)) return;
      await pause(RETRY_MS);
    }
  }

  /** Reads first, as the current version is needed; so it also sees when an unanswered PUT got through. */
  async #correct(client: number, reading: SentReading, agent: Agent): Promise<void> {
    const id = this.#places.get(reading.identifier);
    if (id === undefined) return; // what it corrects was refused
    while (!this.#isAbandoned) {
      const path = `/fhir/Observation/${id}`;
      const read = await this.#call({ method: 'GET', client, readings: [] }, path, { agent });
      if (read?.status === 200 && says(read.body, reading)) return;
      if (read?.status === 200) {
        const call = { headers: { 'If-Match': read.etag }, body: observationText(reading, id), agent };
        const answer = await this.#call({ method: 'PUT', client, readings: [reading] }, path, call);
        if (answer !== undefined && isSettled(answer)) return;
      } else if (read !== undefined && isSettled(read)) return; // gone: the checker will say so
      await pause(RETRY_MS);
    }
  }

  async #call(
    line: Omit<CallLine, 'at' | 'n'>,
    path: string,
    call: { readonly body?: string; readonly headers?: Readonly<Record<string, string>>; readonly agent: Agent },
  ): Promise<HttpAnswer | undefined> {
    const { history, url } = this.#options;
    const answer = await recordedCall(history, `${url(line.client)}${path}`, line, call);
    if (answer !== undefined) this.#note(answer, line.readings);
    return answer;
  }

  #note(answer: HttpAnswer, readings: readonly SentReading[]): void {
    const answers = readingAnswers(answer, readings.length);
    for (const [place, reading] of readings.entries()) {
      const { status: own = 0, id } = answers[place] ?? {};
      if (id !== undefined) this.#places.set(reading.identifier, id);
      if (own >= 200 && own < 300) this.acknowledged += 1;
    }
    for (const { count, resolve } of this.#waiting) if (this.acknowledged >= count) resolve();
  }
}

function says(text: string, { status, digits }: SentReading): boolean {
  const parsed = parseExactJson(text);
  if (!parsed.ok || !isJsonObject(parsed.value)) return false;
  const quantity = parsed.value['valueQuantity'];
  return parsed.value['status'] === status && isJsonObject(quantity) && String(quantity['value']) === digits;
}

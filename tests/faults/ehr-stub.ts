/**
 * The EHR of a fault test: the stand-in receiver with seeded dice for what goes wrong, a switch that
 * takes it off the network and back on the same port, and a memory that outlives both.
 */
import type { AddressInfo } from 'node:net';
import { createServer } from 'node:net';
import { once } from 'node:events';
import { FaultScript, type Fault, type FaultSource } from '../../examples/receiver/faults.ts';
import { Memory, type Version } from '../../examples/receiver/memory.ts';
import { startReceiver, type Receiver } from '../../examples/receiver/receiver.ts';
import type { Random } from '../../examples/simulator/random.ts';

/** So many of a hundred requests meet one of these, drawn by lot. */
export interface Misbehaviour {
  readonly percent: number;
  readonly faults: readonly Fault[];
}

export interface EhrOptions {
  readonly random: Random;
  readonly racyMs?: number;
  readonly forgetsAfter?: number;
}

export class EhrStub implements FaultSource {
  readonly url: string;
  /** How many faults were met so far, by what they do. */
  readonly met = new Map<string, number>();
  readonly #port: number;
  readonly #options: EhrOptions;
  readonly #memory = new Memory();
  readonly #script = new FaultScript([]);
  #late = 0;
  #requests = 0;
  #bundles = 0;
  #receiver: Receiver | undefined;
  #misbehaviour: Misbehaviour = { percent: 0, faults: [] };
  #onFault: ((fault: Fault) => void)[] = [];

  private constructor(port: number, options: EhrOptions) {
    this.#port = port;
    this.#options = options;
    this.url = `http://127.0.0.1:${port}/fhir`;
  }

  static async start(options: EhrOptions): Promise<EhrStub> {
    const stub = new EhrStub(await freePort(), options);
    await stub.up();
    return stub;
  }

  /** From now on; without an argument it behaves. */
  behave(misbehaviour: Misbehaviour = { percent: 0, faults: [] }): void {
    this.#misbehaviour = misbehaviour;
  }

  /** For the next requests that they are aimed at, in this order. */
  plan(...faults: readonly Fault[]): void {
    this.#script.add(faults);
  }

  next(kind: 'bundle' | 'search', body: string): Fault | undefined {
    this.#requests += 1;
    if (kind === 'bundle') this.#bundles += 1;
    const fault = this.#script.next(kind, body) ?? this.#drawn(kind, body);
    if (fault?.do === 'delay') this.#late += 1;
    return fault;
  }

  #drawn(kind: 'bundle' | 'search', body: string): Fault | undefined {
    const { random } = this.#options;
    const { percent, faults } = this.#misbehaviour;
    const possible = faults.filter(({ on = 'bundle', bodyHas = '' }) => on === kind && body.includes(bodyHas));
    return possible.length > 0 && random.whole(1, 100) <= percent ? possible[random.whole(0, possible.length - 1)] : undefined;
  }

  /** It has requests that it will apply later: no clock may be hurried meanwhile. */
  get isApplyingLate(): boolean {
    return this.#late > 0;
  }

  /** Resolves when the next faulty answer is under way, or is held back for good. */
  untilFault(): Promise<Fault> {
    return new Promise((resolve) => this.#onFault.push(resolve));
  }

  /** Bundles and look-ups that arrived. */
  get requests(): number {
    return this.#requests;
  }

  /** Bundles that arrived. */
  get bundles(): number {
    return this.#bundles;
  }

  /** Current versions of all that it was ever made to hold. */
  resources(): readonly Version[] {
    return this.#memory.all();
  }

  /** Off the network: connections are refused, what is under way is cut. */
  async down(): Promise<void> {
    await this.#receiver?.close();
    this.#receiver = undefined;
  }

  /** Back, with everything that it held. */
  async up(): Promise<void> {
    const { random: _random, ...options } = this.#options;
    const onFault = (fault: Fault): void => {
      if (fault.do === 'delay') this.#late -= 1;
      this.met.set(fault.do, (this.met.get(fault.do) ?? 0) + 1);
      for (const resolve of this.#onFault.splice(0)) resolve(fault);
    };
    this.#receiver ??= await startReceiver({ port: this.#port, memory: this.#memory, dice: this, onFault, ...options });
  }
}

async function freePort(): Promise<number> {
  const server = createServer().listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  server.close();
  await once(server, 'close');
  return port;
}

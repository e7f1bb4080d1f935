/**
 * What a fault works with: one service on one store, one EHR, gateways, dice, and the service's clock.
 * It also keeps what the fault claims beyond the invariants.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as pause } from 'node:timers/promises';
import { seededRandom, type Random } from '../../examples/simulator/random.ts';
import { command, type Command } from './command.ts';
import { EhrStub } from './ehr-stub.ts';
import type { Fault, Size, Surroundings } from './fault.ts';
import { httpCall, recordedCall, type HttpAnswer, type HttpCall } from './gateway-call.ts';
import { observationText } from './gateway-plan.ts';
import { Gateways, type GatewaysOptions } from './gateways.ts';
import { History, type CallLine, type SentReading } from './history.ts';
import { ServiceProcess, type LaunchOptions } from './service-process.ts';

/** On a machine that is short of everything, a service may well be busy for a while. */
const MOST_TRIES = 100;
const RETRY_MS = 100;
/** On a machine that is full of other runs, no process is kept from its work as long. */
const CALM_MS = 40_000;

interface GetOptions {
  readonly service?: ServiceProcess;
  /** The trouble is over: how long the machine lets an answer wait says nothing about the service. */
  readonly isCalm?: boolean;
}

export interface Claim {
  readonly says: string;
  readonly holds: boolean;
}

export class Nemesis {
  readonly size: Size;
  readonly random: Random;
  readonly ehr: EhrStub;
  readonly history: History;
  readonly claims: Claim[] = [];
  readonly folder: string;
  readonly surroundings: Surroundings;
  shiftMs = 0;
  #service: ServiceProcess | undefined;
  #port = '0';
  readonly #environment: Readonly<Record<string, string>>;
  readonly #gateways: Gateways[] = [];
  readonly #services: ServiceProcess[] = [];
  #isOver = false;

  private constructor(
    folder: string,
    ehr: EhrStub,
    surroundings: Surroundings,
    environment: Fault['environment'],
    size: Size,
    seed: number,
  ) {
    this.surroundings = surroundings;
    this.folder = folder;
    this.ehr = ehr;
    this.size = size;
    this.random = seededRandom(seed);
    this.history = new History(join(folder, 'history.jsonl'));
    this.#environment = {
      STEELYARD_DATABASE: join(folder, 'ward.db'),
      STEELYARD_EHR_URL: ehr.url,
      STEELYARD_LOG_LEVEL: 'debug',
      // all gateways of a run share one address
      STEELYARD_RATE_LIMIT: '1000000',
      ...environment,
      ...surroundings.environment,
    };
  }

  static async begin(fault: Fault, size: Size, seed: number): Promise<Nemesis> {
    // by default its conditional creates protect from nothing, so that only we do
    const ehr = await EhrStub.start({ random: seededRandom(seed).branch(1), forgetsAfter: 0, ...fault.ehr });
    const folder = mkdtempSync(join(tmpdir(), `steelyard-fault-${fault.name}-`));
    const surroundings = (await fault.prepare?.(folder)) ?? { environment: {}, end: () => Promise.resolve() };
    const nemesis = new Nemesis(folder, ehr, surroundings, fault.environment, size, seed);
    try {
      await nemesis.start();
      return nemesis;
    } catch (error) {
      await nemesis.end({ keep: true });
      throw error;
    }
  }

  /** The one for its size. */
  pick<Value>(short: Value, long: Value): Value {
    return this.size === 'short' ? short : long;
  }

  get service(): ServiceProcess {
    if (this.#service === undefined) throw new Error('no service is running');
    return this.#service;
  }

  get database(): string {
    return this.#environment['STEELYARD_DATABASE'] as string;
  }

  /** Starts the service on its store and, from the second time on, on its port. */
  async start(options: Partial<LaunchOptions> = {}): Promise<void> {
    const environment = { ...this.#environment, STEELYARD_PORT: this.#port, ...options.environment };
    this.#service = await this.#launch({ ...options, environment });
    this.#port = new URL(this.#service.url).port;
  }

  /** Starts a second service beside the first; the caller ends it. Throws NotStarted. */
  async another(environment: Readonly<Record<string, string>> = {}, options: Partial<LaunchOptions> = {}): Promise<ServiceProcess> {
    return this.#launch({ ...options, environment: { ...this.#environment, ...environment } });
  }

  async #launch(options: LaunchOptions): Promise<ServiceProcess> {
    const service = await ServiceProcess.launch({ shiftMs: this.shiftMs, ...options });
    this.#services.push(service);
    // a fault that took too long goes on by itself, and nobody would end what it starts then
    if (this.#isOver) await service.kill();
    return service;
  }

  /** A command of the service on its store, as an operator calls it beside it; the caller waits for its end. */
  command(args: readonly string[], { shiftMs = this.shiftMs }: { readonly shiftMs?: number } = {}): Command {
    return command(args, { environment: { STEELYARD_DATABASE: this.database }, shiftMs });
  }

  /** All that any service of this run ever said. */
  get said(): readonly string[] {
    return this.#services.map(({ said }) => said);
  }

  async kill(): Promise<void> {
    await this.#ended((service) => service.kill());
  }

  /** SIGTERM; the exit code. */
  async stop(): Promise<number | string | null> {
    return this.#ended((service) => service.stop());
  }

  async #ended<Result>(end: (service: ServiceProcess) => Promise<Result>): Promise<Result> {
    const result = await end(this.service);
    this.#service = undefined;
    return result;
  }

  get isRunning(): boolean {
    return this.#service !== undefined;
  }

  /** Steps the service's clock, by so much from where it is. */
  stepClock(byMs: number): void {
    this.shiftMs += byMs;
    for (const service of this.#services) service.shiftClock(this.shiftMs);
  }

  /** Gateways that send until they are stopped, or the run ends. */
  load(options: Partial<Pick<GatewaysOptions, 'clients' | 'paceMs' | 'name' | 'url'>> = {}): Gateways {
    const gateways = new Gateways({
      url: () => `http://127.0.0.1:${this.#port}`,
      history: this.history,
      random: this.random.branch(100 + this.#gateways.length),
      clients: 4,
      paceMs: 15,
      name: `g${this.#gateways.length}-`,
      ...options,
    });
    this.#gateways.push(gateways);
    return gateways;
  }

  get loads(): readonly Gateways[] {
    return this.#gateways;
  }

  /** One reading sent on its own, until it is answered; undefined when it never was. */
  tell(reading: SentReading): Promise<HttpAnswer | undefined> {
    return this.record({ method: 'POST', client: -1, readings: [reading] }, '/fhir/Observation', { body: observationText(reading) });
  }

  /** One call to the service, with its lines in the history, again as long as the answer is "not now" or none. */
  async record(line: Omit<CallLine, 'at' | 'n'>, path: string, call: Omit<HttpCall, 'method'>): Promise<HttpAnswer | undefined> {
    return this.#patiently(() => recordedCall(this.history, `${this.service.url}${path}`, line, call));
  }

  async #patiently<Answer extends HttpAnswer | undefined>(ask: () => Promise<Answer>): Promise<Answer> {
    let answer = await ask();
    for (let tries = 1; tries < MOST_TRIES && (answer === undefined || [429, 503].includes(answer.status)); tries += 1) {
      await pause(RETRY_MS);
      answer = await ask();
    }
    return answer;
  }

  /** How many calls ended with their connection. One that nobody waited for any longer is none of them. */
  get cutOff(): number {
    return this.history.lines.filter((line) => line.at === 'silence' && line.cause !== 'timeout').length;
  }

  /** How many answers said that the store cannot take anything now; being busy is another matter. */
  get storeRefusals(): number {
    return this.history.lines.filter((line) => line.at === 'answer' && line.body.includes('transport-store-unavailable')).length;
  }

  /** What is asked of health is answered as it is; all else is asked again while the answer is "not now". */
  get(path: string, { service = this.service, isCalm = false }: GetOptions = {}): Promise<HttpAnswer> {
    const ask = (): Promise<HttpAnswer> => httpCall(`${service.url}${path}`, { method: 'GET', ...(isCalm && { patienceMs: CALM_MS }) });
    return path.startsWith('/fhir') ? this.#patiently(ask) : ask();
  }

  /** Whether it says that it is ready, once the trouble is over. */
  async isReadyAgain(service = this.service): Promise<boolean> {
    return (await this.get('/health/ready', { service, isCalm: true })).status === 200;
  }

  /** A figure of `/metrics`, all label sets together. */
  async metric(name: string, options: GetOptions = {}): Promise<number> {
    const { body } = await this.get('/metrics', options);
    const lines = body.split('\n').filter((line) => line.startsWith(`${name} `) || line.startsWith(`${name}{`));
    return lines.reduce((sum, line) => sum + Number(line.slice(line.lastIndexOf(' ') + 1)), 0);
  }

  /** What the fault says must be so, beyond the invariants. */
  claim(says: string, holds: boolean): void {
    this.claims.push({ says, holds });
  }

  async wait(fromMs: number, toMs = fromMs): Promise<void> {
    await pause(this.random.whole(fromMs, toMs));
  }

  /** Resolves when `holds` does, looked at again and again; false when it never did in time. */
  async until(holds: () => boolean | Promise<boolean>, boundMs: number): Promise<boolean> {
    for (const endMs = performance.now() + boundMs; performance.now() < endMs;) {
      if (await holds()) return true;
      await pause(50);
    }
    return false;
  }

  /** Ends everything that was started; the folder stays when it is needed as evidence. */
  async end({ keep }: { readonly keep: boolean }): Promise<void> {
    this.#isOver = true;
    this.history.flush();
    if (this.isRunning) {
      this.service.resume();
      await this.kill();
    }
    await Promise.all(this.#services.map((service) => service.kill()));
    await this.ehr.down();
    await this.surroundings.end();
    if (!keep) rmSync(this.folder, { recursive: true, force: true });
  }
}

/**
 * Invented lives for the property tests: readings that are sent, corrected and withdrawn in any
 * order, many of them doubtful, and the state that all of it leaves behind.
 */
import type { ExactObservation } from '../../src/core/observation.ts';
import { deriveBmi } from '../../src/core/derive/bmi.ts';
import { toInstant } from '../../src/core/fhir-time.ts';
import type { Policy } from '../../src/core/policy.ts';
import type { PersonFacts, Reading } from '../../src/core/reading.ts';
import { judgeSerial } from '../../src/core/serial/judge.ts';
import { height, NOW, weight } from '../measurements.ts';
import { idOf, type Desk } from '../ingest/desk.ts';

export interface Sent {
  /** The sender's own name for the reading, unique to one person. */
  readonly name: string;
  readonly of: 'weight' | 'height';
  readonly value: string;
  /** Before now. */
  readonly minutesAgo: number;
  readonly scale?: string;
}

export type Step =
  | { readonly kind: 'sent' | 'corrected'; readonly reading: Sent }
  | { readonly kind: 'withdrawn'; readonly reading: Sent }
  | { readonly kind: 'born'; readonly birthDate: string };

/** One desk with one person on it, under names of their own. */
export class Life {
  readonly #desk: Desk;
  readonly #person: string;
  readonly #ids = new Map<string, string>();
  #birthDate: string | undefined;

  constructor(desk: Desk, person: string) {
    this.#desk = desk;
    this.#person = person;
  }

  /** Ours, of a reading that was sent. */
  idOf(name: string): string | undefined {
    return this.#ids.get(name);
  }

  get key(): string {
    return `Patient/${this.#person}`;
  }

  async take(step: Step): Promise<void> {
    if (step.kind === 'born') {
      this.#birthDate = step.birthDate;
      await this.#desk.put('Patient', { resourceType: 'Patient', id: this.#person, birthDate: step.birthDate } as never);
      return;
    }
    const { name } = step.reading;
    const body = this.bodyOf(step);
    const id = this.#ids.get(name);
    const answer = id === undefined ? await this.#desk.post(body) : await this.#desk.correct(id, body);
    if (answer.verdict === 'refused') throw new Error(`${step.kind} ${name} was refused: ${JSON.stringify(answer.outcome.issue)}`);
    this.#ids.set(name, idOf(answer));
  }

  bodyOf({ kind, reading }: Exclude<Step, { kind: 'born' }>): ExactObservation {
    const { name, of, value, minutesAgo, scale } = reading;
    return (of === 'weight' ? weight : height)(value, of === 'weight' ? 'kg' : 'cm', {
      status: { sent: 'final', corrected: 'corrected', withdrawn: 'entered-in-error' }[kind],
      effectiveDateTime: toInstant(Date.parse(NOW) - minutesAgo * 60_000),
      subject: { reference: this.key },
      identifier: [{ system: 'urn:reading', value: `${this.#person}-${name}` }],
      ...(scale !== undefined && { device: { reference: `Device/${scale}` } }),
    });
  }

  /** What stands, under the senders' names: verdicts, links, comparisons, BMI. */
  async state(): Promise<string[]> {
    const readings = await this.#desk.readings(this.key);
    const bmi = await this.#desk.standing(this.key);
    return this.#inNames(
      readings,
      bmi.map(({ weightId, heightId, valueText, status }) => [weightId, heightId, valueText, status] as const),
    );
  }

  /** What the stored readings give when everything is judged and derived from nothing. */
  async rebuilt(policy: Policy): Promise<string[]> {
    const stored = await this.#desk.readings(this.key);
    const birth = this.#birthDate === undefined ? {} : { birthDate: this.#birthDate };
    const person: PersonFacts = { key: this.key, known: this.#birthDate !== undefined, ...birth };
    const readings = judgeSerial(stored.map(withoutStanding), { person, policy }).map(({ reading }) => reading);
    const { drafts } = deriveBmi(readings, person, policy);
    const statusOf = (one: Reading, other: Reading): string => ([one.status, other.status].includes('corrected') ? 'corrected' : 'final');
    return this.#inNames(
      readings,
      drafts.map((draft) => [draft.weight.id, draft.height.id, draft.valueText, statusOf(draft.weight, draft.height)] as const),
    );
  }

  #inNames(readings: readonly Reading[], bmi: readonly (readonly [string, string, string, string])[]): string[] {
    const names = new Map([...this.#ids].map(([name, id]) => [id, name]));
    const named = (id: string | undefined): string => (id === undefined ? 'none' : (names.get(id) ?? `unknown ${id}`));
    const standings = readings.map(({ id, status, held, quantity, repeatOf, releasedBy, comparison }) => {
      const { previous, reasons, changeKg, lastComparable } = comparison ?? {};
      const compared = comparison && !held ? `${named(previous)} ${reasons?.join('+')} ${changeKg} ${named(lastComparable)}` : 'none';
      return `${named(id)} ${quantity?.text} ${status} ${held ? 'held' : 'stands'}, repeats ${named(repeatOf)}, released by ${named(releasedBy)}, compared ${compared}`;
    });
    return [...standings, ...bmi.map(([of, by, value, status]) => `BMI of ${named(of)} by ${named(by)}: ${value} ${status}`)].sort();
  }
}

function withoutStanding({ repeatOf: _repeatOf, releasedBy: _releasedBy, comparison: _comparison, ...reading }: Reading): Reading {
  return { ...reading, held: false };
}

/** Sends recorded lines one after the other, each until there is a verdict, and counts what came of the readings. */
import { objectsIn, remarksIn, storedAt, verdictOf, decidingRules, type Verdict } from '../../../examples/simulator/answers.ts';
import { call, NoAnswer, type Message, type Patience, type Response, type Service } from '../../../examples/simulator/call.ts';
import { isJsonObject, stringifyExact, type JsonObject } from '../../core/json.ts';
import { readingsIn, type RecordedLine } from './recorded-day.ts';

export interface Tally {
  readonly verdicts: Map<Verdict, number>;
  /** How often each rule refused or held. */
  readonly rules: Map<string, number>;
  lines: number;
  /** People and devices that the service was told of. */
  registered: number;
  /** Entries and lines that were answered with no verdict, by status; 0 stands for no answer at all. */
  readonly without: Map<number, number>;
  /** How often something was sent again because of an answer "not now", or none. */
  resends: number;
}

export function emptyTally(): Tally {
  return { verdicts: new Map(), rules: new Map(), lines: 0, registered: 0, without: new Map(), resends: 0 };
}

/** What was sent is sent again for some minutes; who is not there by then is not there. */
export const REPLAY_PATIENCE: Patience = {
  mostTries: 12,
  longestWaitMs: 60_000,
  timeoutMs: 60_000,
  notNow: [408, 425, 429, 500, 502, 503, 504],
  whenUnanswered: true,
};

export class LineSender {
  readonly tally = emptyTally();
  readonly #service: Service;
  readonly #patience: Patience;
  /** Where the service keeps what was sent under an identifier, so that a recorded correction finds it. */
  readonly #places = new Map<string, { readonly id: string; readonly version: string }>();

  constructor(service: Service, patience: Patience) {
    this.#service = service;
    this.#patience = patience;
  }

  /**
   * Sends one line. Returns false when nobody answered: then nothing behind it should be sent, since
   * readings of one person have an order. Throws GatewayStopped for a token that is not taken, and
   * whatever asking for the token throws.
   */
  async send({ type, resource }: Pick<RecordedLine, 'type' | 'resource'>): Promise<boolean> {
    const place = type === 'Observation' && isCorrection(resource) ? this.#placeOf(resource) : undefined;
    try {
      const response = await call(this.#service, messageOf(type, resource, place), this.#patience);
      this.tally.lines += 1;
      this.tally.resends += response.resends;
      if (type === 'Observation') this.#noteReading(resource, response, place !== undefined);
      else this.#noteBundle(resource, response);
      return true;
    } catch (error) {
      if (!(error instanceof NoAnswer)) throw error;
      this.tally.resends += this.#patience.mostTries - 1;
      add(this.tally.without, 0, Math.max(1, readingsIn(resource).length));
      return false;
    }
  }

  #placeOf(reading: JsonObject): { readonly id: string; readonly version: string } | undefined {
    return identifiersOf(reading).flatMap((key) => this.#places.get(key) ?? [])[0];
  }

  #noteReading(reading: JsonObject, { status, location, body }: Response, isCorrected: boolean): void {
    const stored = storedAt(location);
    if (stored) for (const key of identifiersOf(reading)) this.#places.set(key, stored);
    this.#note(status, isCorrected, body);
  }

  #note(status: number, isCorrected: boolean, outcome: JsonObject | undefined): void {
    const remarks = remarksIn(outcome);
    // a wall in front of the service refuses too, but without a word of ours
    const verdict = status >= 400 && remarks.length === 0 ? undefined : verdictOf(status, isCorrected);
    if (verdict === undefined) {
      add(this.tally.without, status);
      return;
    }
    add(this.tally.verdicts, verdict);
    if (verdict !== 'resent') for (const rule of decidingRules(remarks)) add(this.tally.rules, rule);
  }

  #noteBundle(bundle: JsonObject, { status, body }: Response): void {
    const sent = Array.isArray(bundle['entry']) ? bundle['entry'] : [];
    if (status >= 300 || !Array.isArray(body?.['entry'])) {
      // refused as a whole, and with it each of its readings
      for (let left = Math.max(1, readingsIn(bundle).length); left > 0; left -= 1) this.#note(status, false, body);
      return;
    }
    objectsIn(body['entry']).forEach(({ response }, index) => {
      const entry = sent[index];
      if (!isJsonObject(response) || !isJsonObject(entry) || !isJsonObject(entry['resource'])) return;
      const { resource, request } = entry;
      const entryStatus = Number(String(response['status']).slice(0, 3));
      const outcome = isJsonObject(response['outcome']) ? response['outcome'] : undefined;
      if (resource['resourceType'] !== 'Observation') {
        if (entryStatus === 200 || entryStatus === 201) this.tally.registered += 1;
        else add(this.tally.without, entryStatus);
        return;
      }
      const stored = storedAt(typeof response['location'] === 'string' ? response['location'] : '');
      if (stored) for (const key of identifiersOf(resource)) this.#places.set(key, stored);
      this.#note(entryStatus, isJsonObject(request) && request['method'] === 'PUT', outcome);
    });
  }
}

function messageOf(
  type: RecordedLine['type'],
  resource: JsonObject,
  place: { readonly id: string; readonly version: string } | undefined,
): Message {
  if (type === 'Bundle') return { method: 'POST', path: '', text: stringifyExact(resource) };
  if (place === undefined) return { method: 'POST', path: 'Observation', text: stringifyExact(resource) };
  return {
    method: 'PUT',
    path: `Observation/${place.id}`,
    text: stringifyExact({ ...resource, id: place.id }),
    headers: { 'If-Match': `W/"${place.version}"` },
  };
}

/** HL7 FHIR R4 (4.0.1), Observation.status: these change a reading that was given out before. */
function isCorrection({ status }: JsonObject): boolean {
  return status === 'corrected' || status === 'amended' || status === 'entered-in-error';
}

function identifiersOf(reading: JsonObject): string[] {
  return objectsIn(reading['identifier']).flatMap(({ system, value }) =>
    typeof system === 'string' && typeof value === 'string' ? [`${system}|${value}`] : [],
  );
}

function add<Key>(counts: Map<Key, number>, key: Key, by = 1): void {
  counts.set(key, (counts.get(key) ?? 0) + by);
}

/**
 * Birth date and sex of people of whom only readings arrived, read from the EHR.
 *
 * Never in the way of intake: questions wait in a bounded list, a few are asked at a time, and what
 * comes back is registered like any Patient that a gateway sends, which judges the person's readings
 * anew. What somebody registered here is never replaced. Questions go by POST: their URLs name nobody.
 */
import { isJsonObject, stringifyExact, type JsonObject } from '../core/json.ts';
import { pointerOfKey } from '../core/pointers.ts';
import { READ_FROM_EHR_TAG } from '../core/terminology.ts';
import type { Clock, StoredResource, StoreReader } from '../ports.ts';
import { isSuccess } from './classify.ts';
import type { PatientSearch } from './ehr-client.ts';
import { readResource } from './issue-types.ts';
import { backoffMs } from './retry-after.ts';
import { readSearchset } from './transaction-answer.ts';

export interface DemographicsPorts {
  readonly ehr: PatientSearch;
  readonly read: Pick<StoreReader, 'current' | 'idsByIdentifier'>;
  /**
   * Registers a Patient, if the version that is current is still the one given (undefined: none).
   * False when it was not: somebody was faster, or the facts cannot be. May reject; then a later reading asks again.
   */
  readonly register: (patient: JsonObject, id: string, replaces: number | undefined) => Promise<boolean>;
  readonly clock: Clock;
  readonly random: () => number;
  /** What became of a question; no patient data. */
  readonly told?: (result: DemographicsResult) => void;
}

export type DemographicsResult = 'registered' | 'unchanged' | 'not-found' | 'several' | 'unusable' | 'unanswered' | 'dropped';

/** So many questions may wait: more than the people of a large hospital who are weighed in an hour. */
const MOST_WAITING = 1_000;
const MOST_AT_ONCE = 2;
/** What was answered, or could not be, is not asked again for so long (common practice, no source). */
const QUIET_MS = 3_600_000;
/** What the EHR said is asked again after a day: a birth date may have been put right. */
const STALE_MS = 24 * 3_600_000;
const MOST_REMEMBERED = 10_000;

export class DemographicsReader {
  readonly #ports: DemographicsPorts;
  readonly #waiting = new Set<string>();
  /** Until when a person is not asked for, in the order in which they were asked for. */
  readonly #quietUntil = new Map<string, number>();
  readonly #active = new Set<Promise<void>>();
  readonly #abort = new AbortController();
  #failures = 0;
  #pausedUntilMs = 0;
  #asked = 0;

  constructor(ports: DemographicsPorts) {
    this.#ports = ports;
  }

  /** Notes that a reading came for the person behind a key; returns at once. */
  noticed(key: string): void {
    const nowMs = this.#ports.clock.nowMs();
    if (this.#abort.signal.aborted || nowMs < (this.#quietUntil.get(key) ?? 0)) return;
    if (this.#waiting.size >= MOST_WAITING && !this.#waiting.has(key)) {
      this.#ports.told?.('dropped');
      return;
    }
    this.#waiting.add(key);
    this.#askNext();
  }

  /** Cuts off what is under way and resolves when nothing is. */
  async stop(): Promise<void> {
    this.#abort.abort();
    this.#waiting.clear();
    await Promise.all(this.#active);
  }

  /** Resolves when no question waits or is under way. */
  async settled(): Promise<void> {
    while (this.#active.size > 0) await Promise.all(this.#active);
  }

  #askNext(): void {
    // while the EHR does not answer, later readings ask again; nothing has to be waited for
    if (this.#active.size >= MOST_AT_ONCE || this.#ports.clock.nowMs() < this.#pausedUntilMs) return;
    const [key] = this.#waiting;
    if (key === undefined) return;
    this.#waiting.delete(key);
    const question = this.#ask(key)
      .catch((): DemographicsResult => 'unanswered')
      .then((result) => {
        if (result === undefined) return;
        this.#note(key, result);
        this.#ports.told?.(result);
      })
      .finally(() => {
        this.#active.delete(question);
        this.#askNext();
      });
    this.#active.add(question);
    this.#askNext();
  }

  #note(key: string, result: DemographicsResult): void {
    const nowMs = this.#ports.clock.nowMs();
    if (result === 'unanswered') {
      this.#pausedUntilMs = nowMs + backoffMs(this.#failures, this.#ports.random);
      this.#failures += 1;
      return;
    }
    this.#failures = 0;
    this.#remember(key, nowMs + QUIET_MS);
  }

  #remember(key: string, untilMs: number): void {
    this.#quietUntil.delete(key);
    this.#quietUntil.set(key, untilMs);
    const [oldest] = this.#quietUntil.keys();
    if (this.#quietUntil.size > MOST_REMEMBERED && oldest !== undefined) this.#quietUntil.delete(oldest);
  }

  /** Undefined when there was nothing to ask. */
  async #ask(key: string): Promise<DemographicsResult | undefined> {
    const { ehr, clock, register } = this.#ports;
    const pointer = pointerOfKey(key);
    if (pointer === undefined) return undefined;
    const known = await this.#known(key);
    if (known !== undefined && !mayBeReplaced(known, clock.nowMs())) {
      this.#remember(key, clock.nowMs() + QUIET_MS);
      return undefined;
    }
    const asked: Record<string, string> =
      pointer.kind === 'literal' ? { _id: pointer.id } : { identifier: `${escaped(pointer.system)}|${escaped(pointer.value)}` };
    const reply = await ehr.searchPatients(
      new URLSearchParams({ ...asked, _count: '2' }).toString(),
      `person-${(this.#asked += 1)}`,
      this.#abort.signal,
    );
    if (reply.kind !== 'answer' || !isSuccess(reply.status)) return 'unanswered';
    const found = readSearchset(reply.text);
    if (found === undefined) return 'unanswered';
    const [patient, another] = found;
    if (another !== undefined) return 'several';
    if (patient === undefined) return 'not-found';
    const id = patient['id'];
    const isAsked = patient['resourceType'] === 'Patient' && typeof id === 'string' && (pointer.kind === 'logical' || id === pointer.id);
    const facts = isAsked ? factsIn(patient) : undefined;
    if (!isAsked || facts === undefined) return 'unusable';
    const stored = await this.#ports.read.current('Patient', id);
    if (stored !== undefined && (pointer.kind === 'logical' || !mayBeReplaced(stored, clock.nowMs()))) return 'unusable';
    const resource = asPatient(id, facts, pointer.kind === 'logical' ? pointer : identifierIn(stored));
    if (stored !== undefined && saysTheSame(stored, resource)) return 'unchanged';
    return (await register(resource, id, stored?.version)) ? 'registered' : 'unusable';
  }

  async #known(key: string): Promise<StoredResource | undefined> {
    const { read } = this.#ports;
    const pointer = pointerOfKey(key);
    if (pointer === undefined) return undefined;
    if (pointer.kind === 'literal') return read.current('Patient', pointer.id);
    const [id] = await read.idsByIdentifier('Patient', pointer, 1);
    return id === undefined ? undefined : read.current('Patient', id);
  }
}

interface Facts {
  readonly birthDate?: string;
  readonly gender?: string;
}

/** Undefined when the EHR does not say what a judgement needs, or says that the record is not in use. */
function factsIn({ birthDate, gender, active }: JsonObject): Facts | undefined {
  const facts = { ...(typeof birthDate === 'string' && { birthDate }), ...(typeof gender === 'string' && { gender }) };
  return active === false || Object.keys(facts).length === 0 ? undefined : facts;
}

/** No more than a judgement needs: a name has no use here. */
function asPatient(id: string, facts: Facts, identifier: { readonly system: string; readonly value: string } | undefined): JsonObject {
  return {
    resourceType: 'Patient',
    id,
    meta: { tag: [{ system: READ_FROM_EHR_TAG.system, code: READ_FROM_EHR_TAG.code, display: READ_FROM_EHR_TAG.display }] },
    ...(identifier && { identifier: [{ system: identifier.system, value: identifier.value }] }),
    ...facts,
  };
}

/** Ours to replace: the EHR said it, and that is a while ago. */
function mayBeReplaced({ text, lastUpdated }: StoredResource, nowMs: number): boolean {
  const meta = readResource(text)?.['meta'];
  const tags = isJsonObject(meta) && Array.isArray(meta['tag']) ? meta['tag'].filter(isJsonObject) : [];
  const isFromEhr = tags.some(({ system, code }) => system === READ_FROM_EHR_TAG.system && code === READ_FROM_EHR_TAG.code);
  return isFromEhr && nowMs - Date.parse(lastUpdated) >= STALE_MS;
}

function identifierIn(stored: StoredResource | undefined): { readonly system: string; readonly value: string } | undefined {
  const list = readResource(stored?.text)?.['identifier'];
  const [first] = Array.isArray(list) ? list.filter(isJsonObject) : [];
  const { system, value } = first ?? {};
  return typeof system === 'string' && typeof value === 'string' ? { system, value } : undefined;
}

function saysTheSame({ text }: StoredResource, patient: JsonObject): boolean {
  const { birthDate, gender } = readResource(text) ?? {};
  return stringifyExact({ birthDate, gender }) === stringifyExact({ birthDate: patient['birthDate'], gender: patient['gender'] });
}

/** FHIR R4, Search, "Escaping Search Parameters". */
function escaped(text: string): string {
  return text.replaceAll(/[\\$,|]/g, (character) => `\\${character}`);
}

/**
 * What a person may decide of a reading that is held: what each decision asks for, what becomes of
 * the Observation, and why a reading can no longer be decided on.
 */
import type * as fhir4 from 'fhir/r4.js';
import { withoutServiceMarks } from './enrich/marks.ts';
import type { Exact } from './json.ts';
import type { ExactObservation } from './observation.ts';
import type { Context, DecisionCode, Instruction, Reading } from './reading.ts';
import { isUnassigned } from './unassigned.ts';

export type DecisionParameter = 'reason' | 'value' | 'subject';

interface DecisionRow {
  readonly means: string;
  /** Parameters that it needs beside who decided. */
  readonly needs: readonly DecisionParameter[];
  /** Parameters that it may have besides. */
  readonly takes: readonly DecisionParameter[];
  /** What somebody decided, to follow "Somebody decided". */
  readonly done: string;
}

/** Every decision: the parser, the OperationDefinition and the sentences read this table. */
export const DECISIONS: Readonly<Record<DecisionCode, DecisionRow>> = {
  keep: { means: 'the value is right: it is accepted as it is', needs: ['reason'], takes: [], done: 'to keep it' },
  correct: {
    means: 'another value is right: it is accepted with that',
    needs: ['reason', 'value'],
    takes: [],
    done: 'to correct its value',
  },
  'wrong-person': {
    means: 'it is of somebody else: void here, and judged anew there',
    needs: ['reason', 'subject'],
    takes: [],
    done: 'that it belongs to another person',
  },
  discard: { means: 'it is no reading: entered in error', needs: ['reason'], takes: [], done: 'to discard it' },
  'weigh-again': {
    means: 'a second weighing is asked for: it goes on waiting',
    needs: [],
    takes: ['reason'],
    done: 'to ask for a second weighing',
  },
};

export const DECISION_CODES = Object.keys(DECISIONS) as readonly DecisionCode[];

/** One decision as it was asked for. */
export interface DecisionRequest {
  readonly code: DecisionCode;
  readonly who: fhir4.Reference;
  readonly reason?: string;
  readonly value?: Exact<fhir4.Quantity>;
  readonly subject?: Exact<fhir4.Reference>;
}

/**
 * Why nothing can be decided, in one sentence of fact and one of what to do; undefined when it can.
 * Says what was decided and when, never by whom.
 *
 * @param since when its current version was stored: a FHIR instant
 */
export function whyNotDecidable(reading: Reading, code: DecisionCode, since: string): string | undefined {
  const { decided, held, repeatOf, releasedBy, status, askedAgain, person } = reading;
  if (decided) return `Somebody decided ${DECISIONS[decided.as].done}, at ${decided.at}. A decision is made once; ${CORRECT_IT}`;
  if (status === 'entered-in-error') return `Its sender withdrew it; that was stored at ${since}. There is nothing left to decide.`;
  if (!held && releasedBy !== undefined)
    return `A second weighing, Observation/${releasedBy}, released it; that was stored at ${since}. To change it, ${CORRECT_IT}`;
  if (!held) return `It is not held: its current version was accepted by the rules at ${since}. To change it, ${CORRECT_IT}`;
  if (repeatOf !== undefined) return `It is one weighing with Observation/${repeatOf}, pressed twice. Decide on that one.`;
  if (code === 'weigh-again' && askedAgain !== undefined)
    return `A second weighing was asked for already, at ${askedAgain}. Weigh the person again, or decide finally.`;
  if (isUnassigned(person) && code !== 'discard' && code !== 'weigh-again')
    return 'Nobody knows yet whose reading it is. Claim it for its person first, or discard it.';
  return undefined;
}

/**
 * What an instruction makes a fact of the reading that it is about.
 *
 * @param version the one that it writes
 */
export function factsOfInstruction(instruction: Instruction, version: number): Partial<Reading> {
  const { as, at, movedTo, movedFrom, afterItem } = instruction;
  if (as === 'claim') return { claimedAt: at };
  if (as === 'undo') return { undone: at };
  const last = afterItem === undefined ? {} : { lastDecision: { as, at, version, afterItem } };
  // the reading as it stands for the right person: nothing was decided of that one
  if (movedFrom !== undefined) return { movedFrom, ...last };
  if (as === 'weigh-again') return { askedAgain: at, ...last };
  const decided = { as, at, ...(movedTo !== undefined && { movedTo }) };
  return { decided, ...last, ...(counts(as) && { kept: true as const }) };
}

function counts(code: DecisionCode): boolean {
  return code === 'keep' || code === 'correct';
}

/**
 * What was decided speaks of a measurement, and lasts until its sender sends another one. That it
 * can be taken back ends with any other writing.
 */
export function lastingFacts(reading: Reading, { replaces }: Pick<Context, 'replaces'>): Partial<Reading> {
  if (replaces === undefined) return {};
  const { kept, decided, askedAgain, claimedAt, movedFrom, quantity, effective } = replaces;
  const isSame =
    quantity?.text === reading.quantity?.text &&
    quantity?.unit === reading.quantity?.unit &&
    effective?.text === reading.effective.text &&
    replaces.basis === reading.basis;
  return {
    ...(claimedAt !== undefined && { claimedAt }),
    ...(movedFrom !== undefined && { movedFrom }),
    ...(decided && (isSame || !counts(decided.as)) && { decided }),
    ...(isSame && kept && { kept }),
    ...(isSame && askedAgain !== undefined && { askedAgain }),
  };
}

const CORRECT_IT = 'correct the reading with PUT and If-Match.';

/** The Observation that a decision leaves here, before it is judged and marked. */
export function decidedObservation(stored: ExactObservation, { code, value }: Pick<DecisionRequest, 'code' | 'value'>): ExactObservation {
  if (code === 'discard' || code === 'wrong-person') return { ...stored, status: 'entered-in-error' };
  if (code !== 'correct' || value === undefined) return stored;
  const { dataAbsentReason: _absent, ...rest } = stored; // obs-6: a value, or why there is none
  return { ...rest, status: 'corrected', valueQuantity: value };
}

/** What ties an Observation to the person of whom it was sent: visits, orders, other readings, a narrative. */
const OF_THE_PERSON: ReadonlySet<string> = new Set([
  'id',
  'identifier',
  'text',
  'basedOn',
  'partOf',
  'focus',
  'encounter',
  'hasMember',
  'derivedFrom',
] satisfies (keyof fhir4.Observation)[]);

/**
 * The same measurement as another person's: as its sender gave it, without the sender's identifier,
 * which goes on naming the original, and without anything that leads into the first person's chart.
 */
export function movedObservation(stored: ExactObservation, original: Reading, subject: Exact<fhir4.Reference>): ExactObservation {
  const { performer, ...members } = withoutServiceMarks(stored, { replaces: original });
  const kept = Object.fromEntries(Object.entries(members).filter(([name]) => !OF_THE_PERSON.has(name))) as unknown as ExactObservation;
  const staff = performer?.filter(({ reference, type }) => type !== 'Patient' && !/(^|\/)Patient\//.test(reference ?? '')) ?? [];
  return { ...kept, subject, ...(staff.length > 0 && { performer: staff }) };
}

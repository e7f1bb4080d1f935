/** How a reading stands now and what came of it, in sentences. */
import { DECISIONS } from '../../core/decision.ts';
import type { DecisionCode, Reading } from '../../core/reading.ts';
import type { StoredResource } from '../../ports.ts';
import type { ShiftStanding } from '../../review/shift.ts';
import type { Standing } from '../../review/reading.ts';
import { ageWords, moment } from '../../review/words.ts';
import type { Surroundings } from './load-worklist.ts';
import { accountOf, type VersionAccount } from './reasons.ts';

/** @param current the stored version of the reading */
export async function standingOf(reading: Reading, current: StoredResource, surroundings: Surroundings): Promise<Standing> {
  const decided = await lastDecision(current, surroundings);
  const decision = decided && decisionWords(decided, surroundings);
  const isHeld = reading.held && reading.repeatOf === undefined;
  if (isHeld) {
    const since = (await surroundings.read.heldSince(current.id)) ?? current.lastUpdated;
    return {
      isHeld,
      sentences: [
        `Waits ${ageWords(surroundings.nowMs - Date.parse(since))}, since ${moment(Date.parse(since), surroundings.zone)}.`,
        ...(decision === undefined ? [] : [decision]),
      ],
    };
  }
  const sentences = [...(decision === undefined ? [] : [decision]), ...plainWords(reading)];
  return { isHeld, sentences };
}

function plainWords({ held, status, repeatOf, releasedBy }: Reading): string[] {
  if (repeatOf !== undefined)
    return [
      held
        ? 'It was pressed twice and waits with the first press. Decide on that one.'
        : 'It was pressed twice, and counts once with the first press.',
    ];
  if (status === 'entered-in-error') return ['It is entered in error and counts for nothing.'];
  return [
    releasedBy === undefined ? 'It does not wait: it is accepted.' : 'It does not wait: a second weighing agreed with it and released it.',
  ];
}

const DONE: Readonly<Record<string, string>> = {
  ...Object.fromEntries(Object.entries(DECISIONS).map(([code, { done }]) => [code, done])),
  claim: 'whose it is',
  undo: 'to take the decision back',
};

function decisionWords({ decision, who, reason, recorded }: VersionAccount, { zone }: Pick<Surroundings, 'zone'>): string {
  const done = DONE[decision as DecisionCode] ?? 'otherwise';
  return `${who ?? 'Somebody'} decided ${done}, ${moment(Date.parse(recorded), zone)}${reason === undefined ? '' : `: ${reason}`}`;
}

/** How a reading stands, in a word or two for lists. */
export function standingWord({ held, status, askedAgain }: Reading): ShiftStanding {
  if (held) return askedAgain === undefined ? 'waiting' : 'asked again';
  return status === 'entered-in-error' ? 'withdrawn' : 'accepted';
}

/** No page goes through more versions of one reading. */
const MOST_VERSIONS_BACK = 20;

/** The last decision of a person in words, where there was one. */
export async function decisionOf(place: Place, surroundings: Pick<Surroundings, 'read' | 'rules' | 'zone'>): Promise<string | undefined> {
  const decided = await lastDecision(place, surroundings);
  return decided && decisionWords(decided, surroundings);
}

type Place = Pick<StoredResource, 'id' | 'version'>;

async function lastDecision(
  { id, version }: Place,
  { read, rules }: Pick<Surroundings, 'read' | 'rules'>,
): Promise<VersionAccount | undefined> {
  for (let place = version; place > Math.max(0, version - MOST_VERSIONS_BACK); place -= 1) {
    const account = await accountOf(read, { id, version: place }, rules);
    if (account?.decision !== undefined) return account;
  }
  return undefined;
}

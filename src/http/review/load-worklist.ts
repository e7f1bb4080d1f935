/** Reads what waits, with everything that a row of the worklist says. */
import { isUnassigned } from '../../core/unassigned.ts';
import type { RulePassport } from '../../core/finding.ts';
import type { HeldReading, StoreReader } from '../../ports.ts';
import { measuredAt, type Zone } from '../../review/words.ts';
import type { WaitingReading } from '../../review/worklist.ts';
import type { Directory } from './directory.ts';
import { reasonsOf } from './reasons.ts';

/** More than anybody decides on in a shift; those behind them come when these are gone. */
export const MOST_SHOWN = 200;

export interface Surroundings {
  readonly read: StoreReader;
  readonly directory: Directory;
  readonly rules: readonly RulePassport[];
  readonly nowMs: number;
  readonly zone: Zone;
}

export async function loadWaiting(
  surroundings: Surroundings,
): Promise<{ readonly all: readonly WaitingReading[]; readonly isCut: boolean }> {
  const held = await surroundings.read.heldReadings(MOST_SHOWN + 1);
  const all: WaitingReading[] = [];
  // a second press is one weighing with the first, and is decided with it
  for (const one of held.slice(0, MOST_SHOWN)) if (one.reading.repeatOf === undefined) all.push(await toRow(one, surroundings));
  return { all, isCut: held.length > MOST_SHOWN };
}

async function toRow({ reading, since }: HeldReading, { read, directory, rules, nowMs, zone }: Surroundings): Promise<WaitingReading> {
  const { id, of, quantity, person: key, device, effective, askedAgain } = reading;
  const isNobodys = isUnassigned(key);
  const person = isNobodys ? { key, name: 'Nobody yet' } : await directory.person(key);
  const scale = device === undefined ? undefined : await directory.device(device);
  const ward = scale?.ward ?? ('ward' in person ? person.ward : undefined);
  return {
    id,
    of,
    person,
    isUnassigned: isNobodys,
    measured: measuredAt(effective, zone),
    waitedMs: nowMs - Date.parse(since),
    reasons: isNobodys ? [] : await reasonsOf(read, reading, rules),
    ...(quantity && { quantity }),
    ...(scale && { scale }),
    ...(ward && { ward }),
    ...(askedAgain !== undefined && { askedAgain }),
  };
}

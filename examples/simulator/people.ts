/** The people of Harbourlight Ward. All invented, and their names say so. */
import type { JsonObject } from '../../src/core/json.ts';
import type { Random } from './random.ts';

export type Kind = 'adult' | 'infant';

export interface Person {
  readonly id: string;
  /** What is printed; never the name. */
  readonly place: string;
  readonly patient: JsonObject;
}

export const WRISTBANDS = 'https://harbourlight.example/wristband';

const GIVEN = ['Imagina', 'Fictus', 'Madeup', 'Sampleton', 'Pretenda', 'Notareal', 'Examplia', 'Inventio', 'Storia', 'Placehold'];
const FAMILY = ['Invented', 'Fiction', 'Example', 'Nobody', 'Makebelieve', 'Testperson'];

const DAY_MS = 86_400_000;

/** @param number counts the ward's places from 1 */
export function inventPerson(kind: Kind, number: number, seed: number, random: Random, nowMs: number): Person {
  const ageDays = kind === 'infant' ? random.whole(110, 150) : random.whole(25 * 366, 90 * 365);
  // the present is part of it, so that another day is of other people, whom nobody has weighed before
  const id = `harbourlight-${seed}-${nowMs.toString(36)}-${number}`;
  return {
    id,
    place: `${kind === 'infant' ? 'Cot' : 'Bed'} ${number}`,
    patient: {
      resourceType: 'Patient',
      id,
      identifier: [{ system: WRISTBANDS, value: wristband(id) }],
      name: [{ family: pick(FAMILY, random), given: [pick(GIVEN, random)], text: 'an invented person' }],
      gender: random.whole(0, 1) === 0 ? 'female' : 'male',
      birthDate: new Date(nowMs - ageDays * DAY_MS).toISOString().slice(0, 10),
    },
  };
}

export function wristband(personId: string): string {
  return `band-${personId}`;
}

function pick<Item>(items: readonly Item[], random: Random): Item {
  return items[random.whole(0, items.length - 1)] as Item;
}

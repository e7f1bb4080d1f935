/** Every measured person of the survey half through the real HTTP path. */
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { policyWith, startService, type Service } from '../service.ts';
import { sharedData } from '../shared-data.ts';
import { EXAMINED, readPeople, type Person } from './nhanes.ts';
import {
  inGroupsOf,
  observationText,
  patientText,
  postBatch,
  postEntry,
  pullBmi,
  putEntry,
  type EntryAnswer,
  type ServedBmi,
} from './readings.ts';

const FILE = sharedData('clinical/nhanes_2017_2018_body_measures_half.csv');
const PEOPLE_A_BATCH = 80;

interface Outcome {
  readonly served: ReadonlyMap<string, ServedBmi>;
  readonly answers: readonly (EntryAnswer & { readonly person: Person })[];
}

async function measureAll(service: Service, people: readonly Person[]): Promise<Outcome> {
  const answers: (EntryAnswer & { person: Person })[] = [];
  for (const group of inGroupsOf(PEOPLE_A_BATCH, people)) {
    const entries = group.flatMap((person) => {
      const { id, weight } = person;
      const height = person.height || person.length;
      return [
        { person, text: putEntry(patientText(id, person.birthDate, person.gender), `Patient/${id}`) },
        ...(height === ''
          ? []
          : [
              {
                person,
                text: postEntry(observationText({ person: id, of: 'height', value: height, unit: 'cm', at: `${EXAMINED}T08:00:00Z` })),
              },
            ]),
        ...(weight === ''
          ? []
          : [
              {
                person,
                text: postEntry(observationText({ person: id, of: 'weight', value: weight, unit: 'kg', at: `${EXAMINED}T08:05:00Z` })),
              },
            ]),
      ];
    });
    const given = await postBatch(
      service,
      entries.map(({ text }) => text),
    );
    answers.push(...given.map((answer, index) => ({ ...answer, person: (entries[index] as { person: Person }).person })));
  }
  return { served: await pullBmi(service), answers };
}

describe.skipIf(FILE === undefined)('NHANES 2017-2018 (CDC/NCHS), the half with odd numbers', () => {
  const everybody = FILE === undefined ? [] : readPeople(FILE);
  const withBmi = everybody.filter(({ bmi }) => bmi !== '');
  const infants = everybody.filter(({ months, weight, length }) => months < 24 && weight !== '' && length !== '');

  test('the file has as many people, and as many with a BMI, as when it was checked against its codebook', () => {
    expect([everybody.length, withBmi.length, infants.length]).toEqual([4369, 4037, 250]);
  });

  describe('with the default policy', () => {
    let service: Service;
    let outcome: Outcome;
    beforeAll(async () => {
      service = await startService({ now: `${EXAMINED}T10:00:00Z` });
      outcome = await measureAll(service, [...withBmi, ...infants]);
    }, 240_000);
    afterAll(() => service.close());

    test('nobody is refused', () => {
      expect(outcome.answers.filter(({ status }) => status >= 400)).toEqual([]);
    });

    test('eight adults are held: seven with a BMI above 60 at a first weight, one lighter than 34 kg', () => {
      const held = outcome.answers.filter(({ status }) => status === 202);
      const by = (rule: string) => held.filter(({ rules }) => rules.includes(rule)).map(({ person }) => person);
      const adults = withBmi.filter(({ months }) => months >= 240);
      // some of the seven are named: read as pounds, the weight would be usual
      const forBmi = held.filter(({ rules }) => rules.some((rule) => rule === 'bmi-unusual' || rule.startsWith('mixup-')));
      expect(forBmi.map(({ person }) => person)).toEqual(adults.filter(({ bmi }) => Number(bmi) > 60));
      expect(by('value-unusual')).toEqual(adults.filter(({ weight }) => Number(weight) < 34));
      expect([held.length, forBmi.length, by('value-unusual').length]).toEqual([8, 7, 1]);
    });

    test('everybody else has exactly the published BMI', () => {
      const held = new Set(outcome.answers.filter(({ status }) => status === 202).map(({ person }) => person.id));
      const different = withBmi.filter(({ id, bmi }) => !held.has(id) && outcome.served.get(id)?.value !== oneDecimal(bmi));
      expect(different).toEqual([]);
    });

    test('children under 24 months have none', () => {
      expect(infants.filter(({ id }) => outcome.served.has(id))).toEqual([]);
    });
  });

  describe('with a policy that lets the unusual pass', () => {
    let service: Service;
    let outcome: Outcome;
    beforeAll(async () => {
      const policy = policyWith({
        'rule.value-unusual': 'inform',
        'rule.bmi-unusual': 'inform',
        'rule.mixup-pounds-as-kilograms': 'off',
      });
      service = await startService({ now: `${EXAMINED}T10:00:00Z`, policy });
      outcome = await measureAll(service, withBmi);
    }, 240_000);
    afterAll(() => service.close());

    test('nobody is refused or held, and everybody has exactly the published BMI', () => {
      expect(outcome.answers.filter(({ status }) => status !== 201)).toEqual([]);
      expect(withBmi.filter(({ id, bmi }) => outcome.served.get(id)?.value !== oneDecimal(bmi))).toEqual([]);
    });
  });
});

/** The file drops a trailing zero: 25 is 25.0. */
function oneDecimal(digits: string): string {
  return digits.includes('.') ? digits : `${digits}.0`;
}

/** Growing children and infants. Each series is a function of seed and person number. */
import type { Course } from './courses.ts';
import { drift } from './courses.ts';
import { CHILD_HEIGHT, CHILD_WEIGHT, grown, INFANT_LENGTH, INFANT_WEIGHT } from './growth-figures.ts';
import { heightDeviation, instrument, type InstrumentName } from './instruments.ts';
import { MODEL } from './parameters.ts';
import { interpolate, randomOf, type Sex } from './population.ts';
import type { Random } from './random.ts';
import { DAY_MS, EPOCH_MS, HOUR_MS, personId, toPatient, type Group, type Measurement, type Series } from './series.ts';

const DAYS_A_MONTH = 30.4375;

/** z-scores of length and weight that belong to one child, and how they drift. */
interface Track {
  readonly height: Course;
  readonly weight: Course;
}

interface Drifts {
  readonly height: number;
  readonly weight: number;
}

function trackOf(days: number, drifts: Drifts, random: Random): Track {
  const height = random.normal(0, 1);
  const share = MODEL.childCorrelation;
  const weight = share * height + Math.sqrt(1 - share ** 2) * random.normal(0, 1);
  const bounded = (from: number, steps: Course): Course => steps.map((step) => clamped(from + step));
  return {
    height: bounded(height, drift(random, days, drifts.height)),
    weight: bounded(weight, drift(random, days, drifts.weight)),
  };
}

function clamped(z: number): number {
  return Math.max(-MODEL.childMostZ, Math.min(MODEL.childMostZ, z));
}

/** Monthly to quarterly for three years, at most until 18; height and weight on every visit. */
export function growingChild(seed: number, number: number): Series {
  const random = randomOf(seed, 'growing-children', number);
  const sex: Sex = random.chance(0.5) ? 'male' : 'female';
  const startMonths = random.between(24.1, 200);
  const days = Math.floor(Math.min(3 * 365, (215 - startMonths) * DAYS_A_MONTH));
  const track = trackOf(days + 1, { height: MODEL.childHeightDrift, weight: MODEL.childWeightDrift }, random);
  const every = random.between(28, 91);
  const measurements: Measurement[] = [];
  for (let day = random.whole(0, 20), visit = 1; day <= days; day += Math.round(every * random.between(0.85, 1.15)), visit += 1) {
    const months = startMonths + day / DAYS_A_MONTH;
    const hour = random.between(9, 17);
    const at = { group: 'growing-children', number, visit, atMs: instant(day, hour), seed } as const;
    const settled = MODEL.heightDayCm * Math.max(0, (hour - 7) / 14);
    const height = grown(CHILD_HEIGHT[sex], months, track.height[day] as number);
    const weight = grown(CHILD_WEIGHT[sex], months, track.weight[day] as number);
    const worn = Math.max(0, random.normal((MODEL.childClothesKg * height) / 138, 0.1));
    measurements.push(
      measurementOf(at, 'stadiometer', { body: height - settled, worn: 0 }, heightDeviation(random), random),
      measurementOf(at, 'standing-1', { body: weight, worn }, random.normal(0, MODEL.childWeightShare * weight), random),
    );
  }
  const bornMs = EPOCH_MS - Math.floor(startMonths * DAYS_A_MONTH) * DAY_MS;
  return { group: 'growing-children', number, patient: toPatient('growing-children', number, sex, bornMs), ownDevices: [], measurements };
}

const INFANT_SCALES: readonly InstrumentName[] = ['infant-5g', 'infant-10g', 'infant-in-g'];

/** From birth to two years: daily at first, then weekly, monthly, every second month. */
export function infant(seed: number, number: number): Series {
  const random = randomOf(seed, 'infants', number);
  const sex: Sex = random.chance(0.5) ? 'male' : 'female';
  const bornOn = random.whole(0, 30);
  const bornHour = random.between(0, 18);
  const track = trackOf(732, { height: MODEL.infantDrift, weight: MODEL.infantDrift }, random);
  const weightAt = infantWeight(sex, track.weight, random);
  const scale = random.pick(INFANT_SCALES);
  const measurements = INFANT_DAYS.flatMap((day, index) => {
    const age = day + (day === 0 ? 2 / 24 : random.between(-0.1, 0.1));
    const at = { group: 'infants', number, visit: index + 1, atMs: instant(bornOn, bornHour + 24 * age), seed } as const;
    const length = grown(INFANT_LENGTH[sex], age, track.height[day] as number);
    const worn = Math.max(0, random.normal(MODEL.infantDiaperKg, 0.01));
    const isMeasured = day === 0 || (day >= 28 && random.chance(0.8));
    return [
      ...(isMeasured ? [measurementOf(at, 'length-board', { body: length, worn: 0 }, random.normal(0, MODEL.lengthRepeatCm), random)] : []),
      measurementOf(at, scale, { body: weightAt(age), worn }, random.normal(0, MODEL.infantRepeatKg), random),
    ];
  });
  const bornMs = EPOCH_MS + bornOn * DAY_MS;
  return { group: 'infants', number, patient: toPatient('infants', number, sex, bornMs), ownDevices: [], measurements };
}

const INFANT_DAYS: readonly number[] = [
  ...[0, 1, 2, 3, 4, 6, 8, 11, 14, 21, 28, 35, 42, 49, 56, 70, 84, 98, 112, 126, 140, 154, 168, 182],
  ...[213, 243, 274, 304, 335, 365, 425, 485, 545, 605, 665, 725],
];

/** Loss until about the third day, birth weight again by about the twelfth, the curve of the standard from four weeks on. */
function infantWeight(sex: Sex, track: Course, random: Random): (age: number) => number {
  const onCurve = (age: number): number => grown(INFANT_WEIGHT[sex], age, track[Math.min(track.length - 1, Math.floor(age))] as number);
  const birth = onCurve(0);
  const loss = Math.max(0.01, Math.min(0.12, random.normal(MODEL.infantLossShare, MODEL.infantLossSd)));
  const early = [
    [0, birth],
    [random.between(2, 3.5), birth * (1 - loss)],
    [random.between(9, 14), birth],
    [28, onCurve(28)],
  ] as const;
  return (age) => (age < 28 ? interpolate(early, age) : onCurve(age));
}

interface At {
  readonly group: Group;
  readonly number: number;
  readonly visit: number;
  readonly atMs: number;
  readonly seed: number;
}

function instant(day: number, hour: number): number {
  return EPOCH_MS + day * DAY_MS + Math.round(hour * 3600) * 1000;
}

function measurementOf(at: At, name: InstrumentName, truth: Measurement['truth'], deviation: number, random: Random): Measurement {
  const device = instrument(at.seed, name);
  const { of } = device;
  const person = personId(at.group, at.number);
  return {
    key: `${person}-${at.visit}${of === 'height' ? '-height' : ''}`,
    person,
    of,
    atMs: of === 'height' ? at.atMs - HOUR_MS / 12 : at.atMs,
    instrument: name,
    shown: device.show(truth.body + truth.worn + deviation, random),
    truth,
  };
}

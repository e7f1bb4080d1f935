/** The groups of adults. Each series is a function of seed and person number. */
import type { ClothingClass } from '../../../src/core/terminology.ts';
import { adultSeries, type Chair, type Occasion } from './adult-series.ts';
import { drift, fluidEpisodes, healthyCourse, type Course } from './courses.ts';
import { instrument, type InstrumentName } from './instruments.ts';
import { MODEL } from './parameters.ts';
import { inventAdult, randomOf, type AdultBody, type Part } from './population.ts';
import type { Random } from './random.ts';
import type { Group, Series } from './series.ts';

const CLOTHING: readonly ClothingClass[] = ['underwear', 'street-no-shoes', 'street-shoes'];

/** A person's usual scale and clothing, each sometimes another. */
interface Habits {
  readonly scales: readonly InstrumentName[];
  readonly clothing: ClothingClass;
}

function usual({ scales, clothing }: Habits, random: Random): Pick<Occasion, 'scale' | 'clothing'> {
  const [own, ...others] = scales as readonly [InstrumentName, ...InstrumentName[]];
  return {
    scale: others.length > 0 && random.chance(MODEL.otherScaleShare) ? random.pick(others) : own,
    clothing: random.chance(MODEL.otherClothesShare) ? random.pick(CLOTHING.filter((one) => one !== clothing)) : clothing,
  };
}

/** The usual scale first; the others are of either unit. */
function standingScales(random: Random): InstrumentName[] {
  const [metric, imperial]: InstrumentName[][] = [
    ['standing-1', 'standing-2'],
    ['standing-lb-1', 'standing-lb-2'],
  ];
  const own = random.pick((random.chance(MODEL.poundScaleShare) ? imperial : metric) as InstrumentName[]);
  return [own, ...[...(metric ?? []), ...(imperial ?? [])].filter((name) => name !== own)];
}

function stadiometerOf([own]: readonly InstrumentName[]): InstrumentName {
  return own?.includes('-lb-') ? 'stadiometer-in' : 'stadiometer';
}

/** Drift alone around the first weight. */
function steady(kilograms: number, days: number, random: Random): Course {
  return drift(random, days, MODEL.yearlyDriftShare).map((share) => kilograms * (1 + share));
}

/** Healthy adults apart from the heaviest and the lightest hundredth. */
export function healthyAdult(seed: number, number: number): Series {
  return healthySeries('healthy-adults', 'middle', seed, number);
}

/** The heaviest and the lightest hundredth, of whom a sample of all would hold too few to say anything. */
export function healthyExtreme(seed: number, number: number): Series {
  return healthySeries('healthy-extremes', 'extremes', seed, number);
}

/** Daily to monthly for a year; the height at the beginning and at the end of it. */
function healthySeries(group: Group, part: Part, seed: number, number: number): Series {
  const random = randomOf(seed, group, number);
  const days = 372;
  const body = inventAdult(random, [20, 90], part);
  const every = intervalOf(random);
  const atHome = every <= 7;
  const scales = standingScales(random);
  const habits: Habits = { scales, clothing: atHome ? 'underwear' : 'street-no-shoes' };
  const hour = (): number => (atHome ? random.normal(7.2, 0.4) : random.between(8, 17));
  const planned = plannedDays(days - 7, every, random);
  const heights = new Set([planned[0], planned.at(-1)]);
  const occasions = planned.map((day): Occasion => ({
    day,
    hour: hour(),
    ...usual(habits, random),
    ...(heights.has(day) && { height: stadiometerOf(scales) }),
  }));
  return adultSeries({ group, number, seed, body, course: healthyCourse(body, days, random), occasions }, random);
}

function intervalOf(random: Random): number {
  const draw = random.uniform();
  if (draw < MODEL.dailyShare) return 1;
  if (draw < MODEL.dailyShare + MODEL.weeklyShare) return 7;
  return draw < MODEL.dailyShare + MODEL.weeklyShare + MODEL.fortnightlyShare ? 14 : 30;
}

/** Days on which a weighing takes place: about every so many, some missed, the first and the last not. */
function plannedDays(last: number, every: number, random: Random): number[] {
  const jitter = Math.floor(every / 5);
  const days: number[] = [];
  for (let day = 0; day < last; day += every) {
    const at = Math.max(0, day + random.whole(-jitter, jitter));
    if (days.length === 0 || (!random.chance(MODEL.missedShare) && at > (days.at(-1) as number) && at < last)) days.push(at);
  }
  return [...days, last];
}

/** Daily for half a year in a gown before breakfast; in the week of an episode on the ward's scales as well. */
export function heartFailure(seed: number, number: number): Series {
  const random = randomOf(seed, 'heart-failure', number);
  const days = 182;
  const body = inventAdult(random, [50, 90]);
  const scales = standingScales(random);
  const fluid = fluidEpisodes(days, random);
  const occasions = plannedDays(days - 1, 1, random).map((day, index): Occasion => ({
    day,
    hour: random.normal(7, 0.3),
    ...usual({ scales, clothing: 'underwear' }, random),
    extraKg: fluid[day] as number,
    ...(index === 0 && { height: stadiometerOf(scales) }),
  }));
  return adultSeries({ group: 'heart-failure', number, seed, body, course: steady(body.weightKg, days, random), occasions }, random);
}

/** Three sessions a week for 13 weeks, weighed before and after each. */
export function dialysis(seed: number, number: number): Series {
  const random = randomOf(seed, 'dialysis', number);
  const weeks = 13;
  const body = inventAdult(random, [30, 85]);
  const habits: Habits = { scales: standingScales(random), clothing: 'street-no-shoes' };
  const begins = random.pick([7, 12, 17]);
  const occasions = Array.from({ length: 3 * weeks }, (_, session): Occasion[] => {
    const day = 7 * Math.floor(session / 3) + 2 * (session % 3);
    const wear = usual(habits, random);
    const before = { day, hour: random.normal(begins, 0.2), ...wear };
    const left = random.normal(0, MODEL.drySdKg);
    const height = session === 0 && { height: stadiometerOf(habits.scales) };
    return [
      { ...before, ...height, extraKg: left + sessionGain(body, session, random) },
      { ...before, hour: before.hour + random.normal(4.3, 0.15), extraKg: left },
    ];
  }).flat();
  return adultSeries({ group: 'dialysis', number, seed, body, course: steady(body.weightKg, 7 * weeks, random), occasions }, random);
}

function sessionGain({ weightKg }: AdultBody, session: number, random: Random): number {
  const interval = session % 3 === 0 ? MODEL.longIntervalGain : 1;
  const gain = interval * random.normal(MODEL.sessionGainShare, MODEL.sessionGainSd) * weightKg;
  return Math.min(MODEL.sessionHighKg, Math.max(MODEL.sessionLowKg, gain));
}

/** Weekly for a year on a platform, in a chair of their own that was weighed empty once. */
export function wheelchair(seed: number, number: number): Series {
  const random = randomOf(seed, 'wheelchair', number);
  const days = 366;
  const body = inventAdult(random, [30, 90]);
  const occasions = plannedDays(days - 2, 7, random).map((day, index): Occasion => ({
    day,
    hour: random.between(9, 12),
    ...usual({ scales: ['platform'], clothing: 'street-shoes' }, random),
    ...(index === 0 && { height: 'length-board' }),
  }));
  const chair = inventChair(seed, number, random);
  return adultSeries({ group: 'wheelchair', number, seed, body, course: steady(body.weightKg, days, random), occasions, chair }, random);
}

function inventChair(seed: number, number: number, random: Random): Chair {
  const kilograms = random.chance(MODEL.poweredShare)
    ? random.between(MODEL.poweredLowKg, MODEL.poweredHighKg)
    : random.between(MODEL.chairLowKg, MODEL.chairHighKg);
  const { digits } = instrument(seed, 'platform').show(kilograms, random);
  return { id: `wheelchair-of-${number}`, kilograms, tenthsShown: Math.round(Number(digits) * 10) };
}

/** Twice a week for 12 weeks in the same bed, in a gown. */
export function inBed(seed: number, number: number): Series {
  const random = randomOf(seed, 'in-bed', number);
  const days = 86;
  const body = inventAdult(random, [50, 95]);
  const bed: InstrumentName = number % 2 === 0 ? 'bed-1' : 'bed-2';
  const occasions = Array.from({ length: 24 }, (_, index): Occasion => {
    const height = index === 0 && { height: 'length-board' as const };
    return {
      day: 7 * Math.floor(index / 2) + 3 * (index % 2),
      hour: random.normal(6.5, 0.5),
      scale: bed,
      clothing: 'underwear',
      ...height,
    };
  });
  const course = steady(body.weightKg, days, random);
  return adultSeries({ group: 'in-bed', number, seed, body, course, occasions, repeatKg: MODEL.bedRepeatKg }, random);
}

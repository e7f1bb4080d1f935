/** How a body weight runs from day to day: slow drift, diets, pregnancies, fluid. Kilograms by day. */
import { MODEL } from './parameters.ts';
import type { AdultBody } from './population.ts';
import type { Random } from './random.ts';

/** One figure a day, from day 0. */
export type Course = readonly number[];

/** A random walk around nothing whose SD is `yearly` after 365 days. */
export function drift(random: Random, days: number, yearly: number): Course {
  let at = 0;
  return Array.from({ length: days }, () => (at += random.normal(0, yearly / Math.sqrt(365))));
}

/** A healthy adult's weight in the morning, fasting and unclothed, before the noise of the day. */
export function healthyCourse(body: AdultBody, days: number, random: Random): Course {
  const slow = drift(random, days, MODEL.yearlyDriftShare);
  const extra = healthyExtra(body, days, random);
  return slow.map((share, day) => body.weightKg * (1 + share) + (extra[day] as number));
}

function healthyExtra(body: AdultBody, days: number, random: Random): Course {
  const mayBePregnant = body.sex === 'female' && body.ageYears >= 20 && body.ageYears <= 42;
  if (mayBePregnant && random.chance(MODEL.pregnantShare)) return pregnancy(days, random);
  const isHeavy = body.weightKg / (body.heightCm / 100) ** 2 >= 24;
  if (isHeavy && random.chance(MODEL.dietingShare)) return diet(body.weightKg, days, random);
  return Array.from({ length: days }, () => 0);
}

/** A loss on purpose, at most 15 % of the weight, and half of it back half a year later. */
function diet(weightKg: number, days: number, random: Random): Course {
  const begins = random.whole(0, Math.max(0, days - 90));
  const weeks = random.between(6, MODEL.dietLongestWeeks);
  const loss = Math.min(0.15 * weightKg, weeks * random.between(MODEL.dietLowKgAWeek, MODEL.dietHighKgAWeek));
  return Array.from({ length: days }, (_, day) => {
    const since = day - begins;
    if (since <= 0) return 0;
    const ends = weeks * 7;
    if (since <= ends) return (-loss * since) / ends;
    return -loss * (1 - MODEL.dietRegain * Math.min(1, (since - ends) / 182));
  });
}

const TERM_DAYS = 280;
const AFTER_DAYS = 182;

/** A pregnancy that begins, or ends, or both, in the time of the series. */
function pregnancy(days: number, random: Random): Course {
  const begins = random.whole(-200, days - 60);
  const termGain = gainAfter(TERM_DAYS);
  const delivery = random.normal(MODEL.deliveryKg, 1);
  const gainAtStart = begins < 0 ? gainAfter(-begins) : 0; // the weight that the series begins with holds it already
  return Array.from({ length: days }, (_, day) => {
    const since = day - begins;
    const after = since - TERM_DAYS;
    const gained = after < 0 ? gainAfter(since) : (termGain - delivery) * Math.max(0, 1 - after / AFTER_DAYS);
    return gained - gainAtStart;
  });
}

/** Kilograms gained by this day of a pregnancy. */
function gainAfter(day: number): number {
  const weeks = Math.max(0, Math.min(40, day / 7));
  return (
    Math.min(weeks, 13) * MODEL.firstTrimesterKgAWeek +
    Math.max(0, Math.min(weeks, 26) - 13) * MODEL.secondTrimesterKgAWeek +
    Math.max(0, weeks - 26) * MODEL.thirdTrimesterKgAWeek
  );
}

/** Fluid above dry weight in heart failure: gained over days, taken off again by diuretics. */
export function fluidEpisodes(days: number, random: Random): Course {
  const fluid = Array.from({ length: days }, () => 0);
  const count = random.whole(MODEL.episodesFewest, MODEL.episodesMost);
  for (let episode = 0; episode < count; episode += 1) {
    const begins = Math.floor((days * (episode + random.between(0.1, 0.5))) / count);
    const gain = random.between(MODEL.episodeLowKg, MODEL.episodeHighKg);
    const gaining = random.between(MODEL.episodeShortestDays, MODEL.episodeLongestDays);
    const staying = random.whole(0, 2);
    const aDay = random.between(MODEL.diuresisLowKgADay, MODEL.diuresisHighKgADay);
    for (let day = begins; day < days; day += 1) {
      const since = day - begins;
      const left = since <= gaining ? (gain * since) / gaining : gain - Math.max(0, since - gaining - staying) * aDay;
      fluid[day] = Math.max(fluid[day] as number, left);
    }
  }
  return fluid;
}

/** Adults who are weighed: the loads on their scales on given occasions, and their heights. */
import { tenths } from '../../../examples/simulator/amount.ts';
import type { JsonObject } from '../../../src/core/json.ts';
import { QUALIFIER, type ClothingClass } from '../../../src/core/terminology.ts';
import { measured } from '../../measurements.ts';
import type { Course } from './courses.ts';
import { heightDeviation, INSTRUMENTS, instrument, type InstrumentName } from './instruments.ts';
import { MODEL } from './parameters.ts';
import type { AdultBody } from './population.ts';
import type { Random } from './random.ts';
import { DAY_MS, EPOCH_MS, HOUR_MS, personId, toPatient, type Group, type Measurement, type Series } from './series.ts';

export interface Occasion {
  readonly day: number;
  /** Of the day, 0 to 24. */
  readonly hour: number;
  readonly scale: InstrumentName;
  readonly clothing: ClothingClass;
  /** Kilograms of fluid on top of the course; where it is given, no rise over the day is added to it. */
  readonly extraKg?: number;
  /** The height is measured first, with this. */
  readonly height?: InstrumentName;
}

/** A wheelchair: what it weighed empty, and how that was shown then. */
export interface Chair {
  readonly id: string;
  readonly kilograms: number;
  readonly tenthsShown: number;
}

export interface AdultPlan {
  readonly group: Group;
  readonly number: number;
  readonly seed: number;
  readonly body: AdultBody;
  readonly course: Course;
  readonly occasions: readonly Occasion[];
  /** SD in kilograms of a repeat, beyond that of the scale: a bed. */
  readonly repeatKg?: number;
  readonly chair?: Chair;
}

export function adultSeries(plan: AdultPlan, random: Random): Series {
  const { group, number, body } = plan;
  const bornMs = EPOCH_MS - Math.round(body.ageYears * 365.25) * DAY_MS;
  const wardrobe = wardrobeOf(body, random);
  const isToldClothing = random.chance(MODEL.clothesToldShare);
  const noise = plan.course.map((weight) => random.normal(0, MODEL.dayToDayShare * weight));
  const measurements = plan.occasions.flatMap((occasion, index) => {
    const place = { plan, occasion, key: `${personId(group, number)}-${index + 1}` };
    return [
      ...(occasion.height === undefined ? [] : [heightOn(place, occasion.height, random)]),
      weightOn(place, { noise, wardrobe, isToldClothing }, random),
    ];
  });
  return {
    group,
    number,
    patient: toPatient(group, number, body.sex, bornMs),
    ownDevices: plan.chair === undefined ? [] : [chairDevice(plan.chair, personId(group, number))],
    measurements,
  };
}

interface Place {
  readonly plan: AdultPlan;
  readonly occasion: Occasion;
  readonly key: string;
}

interface Wearing {
  readonly noise: Course;
  readonly wardrobe: Wardrobe;
  readonly isToldClothing: boolean;
}

function instantOf({ day, hour }: Occasion): number {
  return EPOCH_MS + day * DAY_MS + Math.round(hour * 3600) * 1000;
}

function weightOn({ plan, occasion, key }: Place, { noise, wardrobe, isToldClothing }: Wearing, random: Random): Measurement {
  const { course, chair, repeatKg } = plan;
  const { day, clothing, scale } = occasion;
  const morning = course[day] as number;
  const body = morning * (1 + weekWave(day)) + (noise[day] as number) + (occasion.extraKg ?? swing(occasion.hour, morning, random));
  const worn = clothesKg(clothing, wardrobe, random);
  const load = Math.max(1, body + worn + (repeatKg === undefined ? 0 : random.normal(0, repeatKg)));
  return {
    key,
    person: personId(plan.group, plan.number),
    of: 'weight',
    atMs: instantOf(occasion),
    instrument: scale,
    ...(chair === undefined ? { shown: instrument(plan.seed, scale).show(load, random) } : netOf(load, chair, plan.seed, random)),
    ...(isToldClothing && { clothing }),
    truth: { body, worn },
  };
}

/** Gross as the platform shows it, the tare that was stored, and what is left: whole tenths, so that they add up. */
function netOf(load: number, chair: Chair, seed: number, random: Random): Pick<Measurement, 'shown' | 'gross' | 'tare'> {
  const gross = instrument(seed, 'platform').show(load + chair.kilograms + random.normal(0, MODEL.chairVariesKg), random);
  const net = Math.round(Number(gross.digits) * 10) - chair.tenthsShown;
  return { shown: tenths(net, 'kg'), gross, tare: tenths(chair.tenthsShown, 'kg') };
}

function heightOn({ plan, occasion, key }: Place, name: InstrumentName, random: Random): Measurement {
  const isStanding = INSTRUMENTS[name].method === 'standing-height';
  const settled = isStanding ? MODEL.heightDayCm * Math.min(1, Math.max(0, occasion.hour - 7) / 14) : 0;
  const body = plan.body.heightCm - settled;
  return {
    key: `${key}-height`,
    person: personId(plan.group, plan.number),
    of: 'height',
    atMs: instantOf(occasion) - HOUR_MS / 12,
    instrument: name,
    shown: instrument(plan.seed, name).show(body + heightDeviation(random), random),
    truth: { body, worn: 0 },
  };
}

/** Lowest on Friday, highest three and a half days later. */
function weekWave(day: number): number {
  const friday = 4;
  return (-MODEL.weekShare / 2) * Math.cos((2 * Math.PI * (day - friday)) / 7);
}

function swing(hour: number, kilograms: number, random: Random): number {
  const share = Math.min(1, Math.max(0, hour - 7) / 14);
  return (share * random.normal(MODEL.swingKg, MODEL.swingSdKg) * kilograms) / 70;
}

interface Wardrobe {
  readonly clothes: number;
  readonly shoes: number;
}

function wardrobeOf({ sex }: AdultBody, random: Random): Wardrobe {
  const usual = sex === 'male' ? MODEL.clothesMenKg : MODEL.clothesWomenKg;
  return { clothes: random.normal(usual, MODEL.clothesBetweenKg), shoes: MODEL.shoesKg };
}

function clothesKg(clothing: ClothingClass, { clothes, shoes }: Wardrobe, random: Random): number {
  if (clothing === 'underwear') return MODEL.underwearKg;
  const indoor = Math.max(MODEL.underwearKg, random.normal(clothes, MODEL.clothesWithinKg));
  return clothing === 'street-shoes' ? indoor + shoes : indoor;
}

/**
 * The wheelchair itself, whose it is and what it weighs, in elements that R4 has for that
 * (Device.patient, Device.property).
 */
function chairDevice({ id, tenthsShown }: Chair, person: string): JsonObject & { readonly id: string } {
  const { digits, unit } = tenths(tenthsShown, 'kg');
  return {
    resourceType: 'Device',
    id,
    status: 'active',
    deviceName: [{ name: 'Wheelchair (invented)', type: 'user-friendly-name' }],
    property: [{ type: { coding: [{ ...QUALIFIER.tare }] }, valueQuantity: [measured(digits, unit)] }],
    patient: { reference: `Patient/${person}` },
  };
}

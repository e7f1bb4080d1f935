/** The right ways of measuring that a ward has, one round each. */
import { eighths, gramsAsKilograms, tenths } from './amount.ts';
import { adultCm, adultKg, height, weight, type Round } from './round.ts';

export const RIGHT_ROUNDS: readonly Round[] = [
  {
    person: 'adult',
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(adultKg(random), 'kg')];
      const weighed = weight('standing scale', 5, heavy, { scale: 'standing' });
      const again = {
        ...weighed,
        story: 'the answer got lost: sent again',
        minute: 6,
        repeats: 1,
        expected: { verdict: 'resent' } as const,
      };
      return { readings: [height('stadiometer', 0, tall), weighed, again], bmi: [[heavy, tall]] };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const tall = eighths(random.whole(61 * 8 + 1, 72 * 8), '[in_i]');
      const heavy = tenths(2 * random.whole(650, 1000), '[lb_av]');
      return {
        readings: [
          height('stadiometer in inches', 0, tall, { scale: 'stadiometer-in' }),
          weight('standing scale in pounds', 4, heavy, { scale: 'standing-lb' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net, chair] = [adultCm(random), adultKg(random), random.whole(140, 210)];
      const tare = { scale: 'platform', gross: tenths(net + chair, 'kg'), tare: tenths(chair, 'kg') } as const;
      const heavy = tenths(net, 'kg');
      return {
        readings: [height('stadiometer', 0, tall), weight('wheelchair platform, chair subtracted', 9, heavy, tare)],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net, sling] = [adultCm(random), adultKg(random), random.whole(12, 28)];
      const tare = { scale: 'sling', gross: tenths(net + sling, 'kg'), tare: tenths(sling, 'kg') } as const;
      const heavy = tenths(net, 'kg');
      return {
        readings: [
          height('length board, lying', 0, tall, { scale: 'length-board' }),
          weight('sling lift, sling subtracted', 11, heavy, tare),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(adultKg(random), 'kg')];
      return {
        readings: [
          weight('bed scale; height not known yet', 0, heavy, { scale: 'bed' }),
          height('length board, an hour later', 60, tall, { scale: 'length-board' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'infant',
    plan: (random) => {
      const [grams, drunk] = [5 * random.whole(1100, 1480), random.whole(60, 180)];
      return {
        readings: [
          height('length board', 0, tenths(random.whole(580, 650), 'cm'), { scale: 'length-board' }),
          weight('infant scale, steps of 5 g', 3, gramsAsKilograms(grams), { scale: 'infant' }),
          weight('infant scale in grams, after the feed', 40, { digits: String(grams + drunk), unit: 'g' }, { scale: 'infant-g' }),
        ],
        bmi: [], // none under two years
      };
    },
  },
  {
    person: 'adult',
    unregistered: true,
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(adultKg(random), 'kg')];
      const device = { asHealthDevice: true } as const;
      return {
        readings: [height('stadiometer', 0, tall), weight('unknown person, scale with IEEE codes', 7, heavy, device)],
        bmi: [[heavy, tall]],
      };
    },
  },
];

/** Mistakes that wards and gateways make, each followed by the right reading where there is one. */
import { convertedToKilograms, tenths, type Amount } from './amount.ts';
import { adultCm, adultKg, height, held, refused, weight, type Round } from './round.ts';

export const MISTAKEN_ROUNDS: readonly Round[] = [
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net, chair] = [adultCm(random), adultKg(random), random.whole(140, 210)];
      const [heavy, gross] = [tenths(net, 'kg'), tenths(net + chair, 'kg')];
      const tare = { scale: 'platform', gross, tare: tenths(chair, 'kg') } as const;
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('wheelchair platform: chair not subtracted', 8, gross, { ...tare, expected: held('tare-arithmetic') }),
          weight('weighed again, chair subtracted', 14, heavy, tare),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const tall = tenths(random.whole(1540, 1620), 'cm');
      const heavy = tenths(2 * random.whole(830, 940), '[lb_av]');
      const swapped: Amount = { ...heavy, unit: 'kg' };
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('pounds sent as kilograms', 5, swapped, { scale: 'standing-lb', expected: held('mixup-pounds-as-kilograms') }),
          weight('weighed again, sent in pounds', 12, heavy, { scale: 'standing-lb' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const tall = adultCm(random);
      const heavy = tenths(2 * random.whole(650, 1000), '[lb_av]');
      const converted = convertedToKilograms(heavy);
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('gateway converted pounds', 4, converted, { scale: 'standing-lb', expected: refused('precision-step') }),
          weight('sent as the scale showed it', 5, heavy, { scale: 'standing-lb' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(adultKg(random), 'kg')];
      const ahead = { scale: 'standing', clock: { aheadMinutes: 47 }, expected: refused('time-future') } as const;
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('clock of the gateway 47 minutes ahead', 5, heavy, ahead),
          weight('clock set, sent again', 6, heavy, { scale: 'standing' }),
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
          height('weight in the height field', 0, heavy, { scale: 'stadiometer', expected: refused('unit-dimension') }),
          height('stadiometer', 1, tall),
          weight('standing scale', 2, heavy, { scale: 'standing' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, ones] = [adultCm(random), random.whole(1, 4)];
      const [typed, right] = [tenths(700 + 10 * (ones + 4) + ones, 'kg'), tenths(700 + 10 * ones + ones + 4, 'kg')];
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('typed with two digits exchanged', 5, typed),
          weight('corrected by the nurse', 20, right, { corrects: 1, expected: { verdict: 'corrected' } }),
        ],
        bmi: [[right, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      // a slipped point gives more than 650 kg, which nobody weighs
      const [tall, kilograms] = [adultCm(random), random.whole(660, 920)];
      const [slipped, right] = [tenths(10 * kilograms, 'kg'), tenths(kilograms, 'kg')];
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('typed without the decimal point', 5, slipped, { expected: refused('value-impossible', 'mixup-decimal-point') }),
          weight('typed as shown', 6, right),
        ],
        bmi: [[right, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(5 * random.whole(118, 182), 'kg')];
      return {
        readings: [
          height('length board, lying', 0, tall, { scale: 'length-board' }),
          weight('old bed scale, shows half kilograms', 9, heavy, { scale: 'old-bed', expected: held('scale-coarse') }),
        ],
        bmi: [],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(adultKg(random), 'kg')];
      const nameOnly = { scale: 'standing', named: 'by-name-only', expected: refused('subject-display-only') } as const;
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('name typed, wristband not scanned', 5, heavy, nameOnly),
          weight('wristband scanned', 6, heavy, { scale: 'standing', named: 'by-wristband' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, kilograms] = [adultCm(random), adultKg(random)];
      const heavy = tenths(kilograms, 'kg');
      const dropped = { scale: 'dropped-chair', expected: held('device-quarantined') } as const;
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('chair scale that is out of use', 5, tenths(kilograms + 31, 'kg'), dropped),
          weight('weighed again on the standing scale', 13, heavy, { scale: 'standing' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
];

/** Gateways whose clocks are wrong. Of a wrong time only what is impossible, or very late, can be seen. */
import { gramsAsKilograms, tenths } from './amount.ts';
import { adultCm, adultKg, height, held, refused, weight, type Round } from './round.ts';

const HOURS_AHEAD = { aheadMinutes: 3 * 60 } as const;
/** Everybody of the ward but the infants was grown up by then. */
const FACTORY = { yearsBack: 5 } as const;

export const CLOCK_ROUNDS: readonly Round[] = [
  {
    person: 'adult',
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(adultKg(random), 'kg')];
      const ahead = { clock: HOURS_AHEAD, expected: refused('time-future') } as const;
      return {
        readings: [
          height('clock three hours ahead', 0, tall, ahead),
          weight('clock three hours ahead', 4, heavy, { scale: 'standing', ...ahead }),
          height('clock set, sent again', 10, tall),
          weight('clock set, sent again', 11, heavy, { scale: 'standing' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, heavy] = [adultCm(random), tenths(adultKg(random), 'kg')];
      const behind = { behindMinutes: 6 * 60 } as const;
      return {
        readings: [
          height('clock six hours behind: nobody can tell', 0, tall, { clock: behind }),
          weight('clock six hours behind: nobody can tell', 5, heavy, { scale: 'standing', clock: behind }),
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
          height('stadiometer', 0, tall),
          weight('clock at its factory date', 5, heavy, { scale: 'standing', clock: FACTORY, expected: held('time-old') }),
          weight('clock set, sent again', 9, heavy, { scale: 'standing' }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'infant',
    plan: (random) => {
      const heavy = gramsAsKilograms(5 * random.whole(1100, 1480));
      return {
        readings: [
          weight('clock at its factory date, before birth', 0, heavy, {
            scale: 'infant',
            clock: FACTORY,
            expected: refused('time-before-birth', 'time-old'),
          }),
          weight('clock set, sent again', 4, heavy, { scale: 'infant' }),
        ],
        bmi: [],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, kilograms] = [adultCm(random), adultKg(random)];
      const [first, second] = [tenths(kilograms, 'kg'), tenths(kilograms + 2, 'kg')];
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('before the clock steps back', 5, first, { scale: 'standing' }),
          weight('clock stepped back an hour: arrives later, and is earlier', 35, second, {
            scale: 'standing',
            clock: { behindMinutes: 60 },
          }),
        ],
        bmi: [
          [first, tall],
          [second, tall],
        ],
      };
    },
  },
];

/** What was weighed along and not subtracted: chairs, cushions, slings. The last round cannot be seen by anybody. */
import { tenths } from './amount.ts';
import { adultCm, adultKg, height, held, weight, type Round } from './round.ts';
import { massOf, TARES } from './tares.ts';

const YESTERDAY = -24 * 60;
const CHAIR = TARES['ward-chair'].mass;
const SLING = TARES['lift-sling'].mass;

export const TARE_ROUNDS: readonly Round[] = [
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net] = [adultCm(random), adultKg(random)];
      const [heavy, gross] = [tenths(net, 'kg'), tenths(net + CHAIR, 'kg')];
      return {
        readings: [
          height('stadiometer', 0, tall),
          weight('platform: nothing says that the chair was subtracted', 5, gross, { scale: 'platform', expected: held('tare-missing') }),
          weight('platform: weighed again, chair subtracted', 12, heavy, {
            scale: 'platform',
            gross,
            tare: massOf('ward-chair'),
            subtracted: ['ward-chair'],
          }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net] = [adultCm(random), adultKg(random)];
      const both = massOf('ward-chair', 'seat-cushion');
      const [heavy, gross] = [tenths(net, 'kg'), tenths(net + CHAIR + TARES['seat-cushion'].mass, 'kg')];
      return {
        readings: [
          height('length board, lying', 0, tall, { scale: 'length-board' }),
          weight('platform: cushion named, chair alone subtracted', 6, tenths(net + TARES['seat-cushion'].mass, 'kg'), {
            ...{ scale: 'platform', gross, tare: massOf('ward-chair'), subtracted: ['ward-chair', 'seat-cushion'] },
            expected: held('tare-differs'),
          }),
          weight('platform: weighed again, chair and cushion subtracted', 13, heavy, {
            ...{ scale: 'platform', gross, tare: both, subtracted: ['ward-chair', 'seat-cushion'] },
          }),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net] = [adultCm(random), adultKg(random)];
      const [heavy, gross] = [tenths(net, 'kg'), tenths(net + SLING, 'kg')];
      const weighed = { scale: 'sling', gross, tare: massOf('lift-sling'), subtracted: ['lift-sling'] } as const;
      return {
        readings: [
          height('length board, lying', 0, tall, { scale: 'length-board' }),
          weight('sling lift: sling weighed and not subtracted', 7, gross, { ...weighed, expected: held('tare-arithmetic') }),
          weight('sling lift: weighed again, sling subtracted', 15, heavy, weighed),
        ],
        bmi: [[heavy, tall]],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net] = [adultCm(random), adultKg(random)];
      const [before, jumped, heavy] = [tenths(net, 'kg'), tenths(net + CHAIR, 'kg'), tenths(net + 1, 'kg')];
      return {
        readings: [
          height('stadiometer, yesterday', YESTERDAY, tall),
          weight('platform, yesterday: chair subtracted', YESTERDAY + 5, before, {
            ...{ scale: 'platform', gross: jumped, tare: massOf('ward-chair'), subtracted: ['ward-chair'] },
          }),
          weight('bed scale: the chair stood on the bed', 4, jumped, { scale: 'bed', expected: held('tare-forgotten') }),
          weight('bed scale: weighed again without it', 11, heavy, { scale: 'bed' }),
        ],
        bmi: [
          [before, tall],
          [heavy, tall],
        ],
      };
    },
  },
  {
    person: 'adult',
    plan: (random) => {
      const [tall, net] = [adultCm(random), adultKg(random)];
      const withSling = tenths(net + SLING, 'kg');
      return {
        readings: [
          height('length board, lying', 0, tall, { scale: 'length-board' }),
          weight('sling lift: sling left in, and nothing says so: nobody can tell', 8, withSling, { scale: 'sling' }),
        ],
        bmi: [[withSling, tall]],
      };
    },
  },
];

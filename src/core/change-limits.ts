/**
 * How much a weight may differ from an earlier one before the new one is held for a human, by the
 * age band of the EARLIER weight. Never a reason to refuse: true fast changes exist.
 *
 * A child grows, so a gain is judged against growth. For each band: the largest gain in percent
 * that anybody shows who starts at any age in it and stays on one and the same z line between -3
 * and +3, of either sex, computed from the published weight-for-age tables (WHO 2006 for starts
 * under 24 months; CDC 2000 from there to 20 years, where its table and growth end). That figure
 * is doubled and rounded up to whole percent, and it is never less than the adult limit, since a
 * child drinks, voids and dresses like anybody else. A loss is judged alike at every age.
 *
 * Newborns lose weight first. WHO's daily values contain the average fall, and the doubled figure
 * of 30 days (88 %) leaves room for one who has lost 15 % of the birth weight on day 4 and is back
 * on the z line 30 days later (72 %); so nothing is added to it.
 */
import type { AgeBand } from './age-bands.ts';

/** Percent of the earlier weight, as decimal texts. A change of exactly the limit passes. */
interface ChangeWithin {
  readonly gainPercent: string;
  readonly lossPercent: string;
}

export interface ChangeLimits {
  /** Between weights at most 30 days apart. */
  readonly within30Days: ChangeWithin;
  /** Between weights more than 30 and at most 365 days apart. */
  readonly within365Days: ChangeWithin;
  readonly source: string;
}

const ADULT = 'NHANES 2017-2018, computed: beyond 10 % nearly every slip of units is caught; 20 % in a year: common practice';
const WHO = 'WHO Child Growth Standards 2006, weight for age, growth along one z line computed over the band and doubled';
const CDC = 'CDC Growth Charts 2000, weight for age, growth along one z line computed over the band and doubled';
const LEAST = 'gain not below the adult limit';

export const CHANGE_LIMITS = {
  newborn: {
    within30Days: { gainPercent: '88', lossPercent: '15' },
    within365Days: { gainPercent: '472', lossPercent: '20' },
    source: `${WHO}; loss as from birth weight: common practice`,
  },
  'young-infant': {
    within30Days: { gainPercent: '61', lossPercent: '10' },
    within365Days: { gainPercent: '296', lossPercent: '20' },
    source: `${WHO}; loss as for adults: ${ADULT}`,
  },
  'older-infant': {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '86', lossPercent: '20' },
    source: `${WHO}; loss as for adults: ${ADULT}`,
  },
  toddler: {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '60', lossPercent: '20' },
    source: `${WHO}; ${LEAST}; loss as for adults: ${ADULT}`,
  },
  'small-child': {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '49', lossPercent: '20' },
    source: `${CDC}; ${LEAST}; loss as for adults: ${ADULT}`,
  },
  child: {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '47', lossPercent: '20' },
    source: `${CDC}; ${LEAST}; loss as for adults: ${ADULT}`,
  },
  'young-teenager': {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '33', lossPercent: '20' },
    source: `${CDC}; ${LEAST}; loss as for adults: ${ADULT}`,
  },
  'older-teenager': {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '36', lossPercent: '20' },
    source: `${CDC}; ${LEAST}; loss as for adults: ${ADULT}`,
  },
  adult: {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '20', lossPercent: '20' },
    source: ADULT,
  },
  'age-unknown': {
    within30Days: { gainPercent: '10', lossPercent: '10' },
    within365Days: { gainPercent: '20', lossPercent: '20' },
    source: `as for adults: ${ADULT}`,
  },
} as const satisfies Record<AgeBand, ChangeLimits>;

/** A change of more than this, either way, within a year is held whatever its percentage. */
export const LARGEST_CHANGE_IN_A_YEAR = {
  kg: '45.4',
  withinDays: 365,
  source: 'Goodrich et al. 2016: more than 100 lb at 6 or 12 months is taken for an error',
} as const;

/** A newborn who has lost more than this of the birth weight is weighed again. */
export const LARGEST_NEWBORN_LOSS = {
  percentOfBirthWeight: '15',
  throughAgeDays: 14,
  source: 'common practice, no source; losses of 7 and 10 % are told to the team (Noel-Weiss 2008, Flaherman 2015)',
} as const;

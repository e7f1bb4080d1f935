/**
 * Every number of the model, with its meaning and its source. "Common practice, no source" is an
 * honest guess; "from memory" and "secondary" say that the paper itself was not read for this.
 * Tables (percentiles, growth) stand in `population.ts` and `growth-figures.ts`.
 */

interface Parameter {
  readonly value: number;
  readonly means: string;
  readonly source: string;
}

const CP = 'common practice, no source';
const WHIGHAM = 'Whigham et al., Int J Obes 2013;37:160-161';
const CDC_PACE = 'CDC, Losing Weight: 1 to 2 lb a week (from memory), slower ones added by common practice';
const IOM = 'Institute of Medicine, Weight Gain During Pregnancy 2009, Table C-1A (Abrams et al. 1995, 10,418 women)';
const STATURE_DAY = 'daily heights of one boy for a year: 0.98 cm (SD 0.2) lost from rising to bed (328 days; abstract)';
const HEIGHT_REPEAT =
  'Voss et al., Arch Dis Child 1990;65:1340-1344 and 1994;70:469-471: SD of a single height 0.2 to 0.34 cm in children; taken for adults too';
const CHAUDHRY = 'Chaudhry et al., Circulation 2007;116:1549-1554 (134 cases)';
const FLAHERMAN =
  'Flaherman et al., Pediatrics 2015;135:e16 (median 4.2 % at 24 h, 7.1 % at 48 h); SD 2 %: Noel-Weiss et al., Open Med 2008';
const SESSIONS =
  '"Relation between Interdialytic Weight Gain, Body Weight and Nutrition in Hemodialysis Patients" (abstract, 309 patients): 4.2 % (SD 1.8) of dry weight in men, 3.9 % (SD 1.9) in women';
const CHAIRS = 'common practice, no source: manual chairs 12 to 25 kg, powered ones 50 to 150 kg';

const PARAMETERS = {
  dayToDayShare: {
    value: 0.0053,
    means: 'SD of a body around its course from one day to the next, as a share of its weight (0.37 kg of 70 kg)',
    source:
      'day-to-day changes of 0.5 kg or more in 32 % and of 1.0 kg or more in 6.2 % of days in young adults (secondary; from memory Edholm, Adam, Best, Ann Hum Biol 1974): SD of a change 0.52 kg',
  },
  weekShare: {
    value: 0.0035,
    means: 'height of the wave of the week, lowest on Friday, highest on Monday',
    source: 'Turicchi et al., PLoS One 2020;15:e0232152 (1,421 people): 0.35 % within the week; Orsama et al., Obes Facts 2014;7:36-47',
  },
  yearlyDriftShare: {
    value: 0.03,
    means: 'SD of the slow drift after a year (a random walk)',
    source:
      'common practice, no source; in 45,000 people of 45 years and over 60 % change by at most 1 kg a year over some years (BMJ Open, 45 and Up Study), single years vary more',
  },
  swingKg: { value: 0.9, means: 'rise of body weight from 7 to 21 hours, of 70 kg', source: CP },
  swingSdKg: { value: 0.4, means: 'its SD from day to day, of 70 kg', source: CP },
  clothesMenKg: { value: 1.2, means: 'indoor clothes without shoes, men', source: WHIGHAM },
  clothesWomenKg: { value: 0.8, means: 'indoor clothes without shoes, women', source: WHIGHAM },
  clothesBetweenKg: { value: 0.3, means: 'SD of clothes between people', source: WHIGHAM },
  clothesWithinKg: { value: 0.3, means: 'SD of clothes of one person', source: WHIGHAM },
  underwearKg: { value: 0.15, means: 'underwear or a thin gown', source: CP },
  shoesKg: { value: 0.8, means: 'shoes', source: CP },
  otherClothesShare: { value: 0.08, means: 'weighings in another class of clothing than usual', source: CP },
  clothesToldShare: { value: 0.7, means: 'people whose clothing is sent along', source: CP },
  otherScaleShare: { value: 0.07, means: 'weighings on another scale than usual', source: CP },
  poundScaleShare: { value: 0.35, means: 'adults who are weighed in pounds', source: CP },
  missedShare: { value: 0.08, means: 'planned weighings that do not take place', source: CP },
  dailyShare: { value: 0.15, means: 'healthy adults weighed daily', source: CP },
  weeklyShare: { value: 0.35, means: 'healthy adults weighed weekly', source: CP },
  fortnightlyShare: { value: 0.2, means: 'healthy adults weighed every two weeks; the rest monthly', source: CP },
  dietingShare: {
    value: 0.15,
    means: 'healthy adults of BMI 24 and over who lose weight on purpose in the year',
    source: 'NCHS Data Brief 313 (2018): 49.1 % tried in a year; how many succeed: common practice, no source',
  },
  dietLowKgAWeek: { value: 0.2, means: 'slowest loss of a diet', source: CDC_PACE },
  dietHighKgAWeek: { value: 0.9, means: 'fastest loss of a diet', source: CDC_PACE },
  dietLongestWeeks: { value: 26, means: 'longest diet; the shortest is 6 weeks', source: CP },
  dietRegain: { value: 0.5, means: 'share of the loss that comes back by half a year later', source: CP },
  pregnantShare: { value: 0.05, means: 'women of 20 to 42 who have a pregnancy in the year', source: CP },
  firstTrimesterKgAWeek: { value: 0.17, means: 'gain, weeks 1 to 13', source: IOM },
  secondTrimesterKgAWeek: { value: 0.56, means: 'gain, weeks 14 to 26', source: IOM },
  thirdTrimesterKgAWeek: { value: 0.52, means: 'gain, weeks 27 to 40', source: IOM },
  deliveryKg: { value: 5.5, means: 'lost on the day of delivery (SD 1); the rest goes within 26 weeks', source: CP },
  scaleRepeatShare: { value: 0.25, means: 'SD of a repeat on one scale, as a share of its division', source: CP },
  heightRepeatCm: { value: 0.3, means: 'SD of a height measured again by the same person', source: HEIGHT_REPEAT },
  heightVisitCm: {
    value: 0.5,
    means: 'SD of a height from visit to visit: another observer, posture, hair',
    source:
      'common practice, no source, for trained staff; from memory Lipman et al., Arch Dis Child 2004;89:342-346: untrained practices were off by 1.3 cm on average',
  },
  heightDayCm: { value: 1, means: 'height lost from 7 to 21 hours', source: STATURE_DAY },
  heightBiasCm: { value: 0.3, means: 'largest error of where a stadiometer is mounted', source: CP },
  episodesFewest: { value: 1, means: 'fluid episodes in half a year, at least', source: CP },
  episodesMost: { value: 3, means: 'fluid episodes in half a year, at most', source: CP },
  episodeLowKg: {
    value: 1,
    means: 'smallest fluid gain',
    source: `${CHAUDHRY}: gains of 2 to more than 10 lb before admission`,
  },
  episodeHighKg: { value: 6, means: 'largest fluid gain', source: `${CHAUDHRY}; 6 kg: common practice, no source` },
  episodeShortestDays: { value: 3, means: 'fastest fluid gain', source: `${CHAUDHRY}: most within the week before admission` },
  episodeLongestDays: {
    value: 14,
    means: 'slowest fluid gain',
    source: `${CHAUDHRY}: gradual from about 30 days before; 14: common practice, no source`,
  },
  diuresisLowKgADay: {
    value: 0.5,
    means: 'slowest diuresis',
    source:
      'common practice, no source; median loss of 2.4 kg in a median stay of 5.8 days (262,673 admissions 2015-2022, ACC journal scan 2024)',
  },
  diuresisHighKgADay: { value: 1.5, means: 'fastest diuresis', source: CP },
  sessionGainShare: { value: 0.042, means: 'gain between dialysis sessions as a share of dry weight', source: SESSIONS },
  sessionGainSd: { value: 0.018, means: 'its SD', source: SESSIONS },
  sessionLowKg: { value: 1.5, means: 'smallest weight taken off in a session', source: CP },
  sessionHighKg: { value: 4, means: 'largest weight taken off in a session', source: CP },
  longIntervalGain: { value: 1.25, means: 'gain over the long interval of the week, times', source: CP },
  drySdKg: { value: 0.3, means: 'SD of the weight after a session around dry weight', source: CP },
  chairLowKg: { value: 12, means: 'lightest manual wheelchair', source: CHAIRS },
  chairHighKg: { value: 25, means: 'heaviest manual wheelchair', source: CHAIRS },
  poweredShare: { value: 0.2, means: 'wheelchairs that are powered', source: CP },
  poweredLowKg: { value: 50, means: 'lightest powered wheelchair', source: CHAIRS },
  poweredHighKg: { value: 150, means: 'heaviest powered wheelchair', source: CHAIRS },
  chairVariesKg: { value: 0.3, means: 'SD of what hangs on the chair and was not there when it was weighed empty', source: CP },
  bedRepeatKg: {
    value: 0.6,
    means: 'SD of a repeat in bed: posture, lines, what lies on the bed',
    source: 'common practice, no source; bed less standing has SD 1.18 kg between people (Skoll et al., medRxiv 2023.08.25.23294652)',
  },
  childWeightShare: { value: 0.008, means: "SD of a child's weight around its curve, as a share of it", source: CP },
  childClothesKg: { value: 0.4, means: 'light clothes of a child of 10 years, in proportion to its height', source: CP },
  childHeightDrift: { value: 0.2, means: 'SD of the drift of height z-score in a year', source: CP },
  childWeightDrift: { value: 0.3, means: 'SD of the drift of weight z-score in a year', source: CP },
  childCorrelation: { value: 0.7, means: 'correlation of height and weight z-scores', source: CP },
  childMostZ: { value: 2.33, means: 'largest z-score either way (1st and 99th percentile)', source: CP },
  infantDrift: { value: 0.5, means: 'SD of the drift of an infant z-score in a year', source: CP },
  infantLossShare: { value: 0.065, means: 'loss from birth weight at its lowest', source: FLAHERMAN },
  infantLossSd: { value: 0.02, means: 'its SD', source: FLAHERMAN },
  infantRepeatKg: { value: 0.04, means: 'SD of an infant weight: feed, diaper', source: CP },
  infantDiaperKg: { value: 0.025, means: 'clean disposable diaper', source: CP },
  lengthRepeatCm: {
    value: 0.5,
    means: 'SD of a length measured again',
    source: 'WHO Multicentre Growth Reference Study: 0.7 cm allowed between two observers (figure from memory)',
  },
} as const satisfies Record<string, Parameter>;

export type ParameterName = keyof typeof PARAMETERS;

/** The table itself, for whoever prints the model. */
export const STATED: Readonly<Record<ParameterName, Parameter>> = PARAMETERS;

/** The numbers alone. */
export const MODEL = Object.fromEntries(Object.entries(PARAMETERS).map(([name, { value }]) => [name, value])) as Readonly<
  Record<ParameterName, number>
>;

/** Settings for one reading among the person's others: change, mix-ups, repeats, release, comparability. */
import { LARGEST_CHANGE_IN_A_YEAR, LARGEST_NEWBORN_LOSS } from '../change-limits.ts';
import { CP, type SettingRow } from './row.ts';

const NHANES = 'NHANES 2017-2018 adults with corrupted records, computed';

export const SERIAL_SETTINGS = {
  'change.mostKilogramsPerYear': {
    value: LARGEST_CHANGE_IN_A_YEAR.kg,
    means: 'a weight that differs by more than this from one of the last 365 days is held, in kg',
    source: LARGEST_CHANGE_IN_A_YEAR.source,
  },
  'change.newbornLossPercent': {
    value: LARGEST_NEWBORN_LOSS.percentOfBirthWeight,
    means: 'a newborn (0 to 14 days) who weighs less than birth weight by more than this is held until weighed again',
    source: LARGEST_NEWBORN_LOSS.source,
  },
  'change.adultHeightCm': {
    value: '3.5',
    means: 'an adult height that differs by more than this from the last one is held',
    source: 'Muthalagu et al., Appl Clin Inform 2014;5:118-126 (94.5 % of cleaned heights lie within 3.5 cm)',
  },
  'change.youthHeightLossCm': {
    value: '1.4',
    means: 'under 20 years, a height that lies below the last one of the same technique by more than this is held',
    source:
      'WHO Multicentre Growth Reference Study, difference of two observers 0.7 cm (from memory), twice; Phan et al., Sci Rep 2020;10:10164',
  },
  'change.lyingBelowStandingCm': {
    value: '1',
    means: 'a length lying may be less than a height standing by at most this',
    source: 'NHANES 2017-2018, 330 children measured both ways, computed (-0.7 to 3.6 cm)',
  },
  'change.lyingAboveStandingCm': {
    value: '4',
    means: 'a length lying may be more than a height standing by at most this',
    source: 'NHANES 2017-2018, 330 children measured both ways, computed (-0.7 to 3.6 cm)',
  },
  'mixup.agreesPercent': {
    value: '10',
    means: 'read in another unit, or with the point elsewhere, a doubtful value fits when it is at most this far from the last one',
    source: `${NHANES}: the unit ratio within 10 % finds every mix-up at 3 % natural change and raised no false alarm`,
  },
  'mixup.otherPerson.minutes': { value: 15, means: 'how near in time two people on one scale may be taken for each other', source: CP },
  'mixup.otherPerson.agreesPercent': {
    value: '3',
    means: "a doubtful weight fits another person when it is at most this far from that person's last one",
    source: `${NHANES} (natural change of 3 %)`,
  },
  'repeat.seconds': { value: 60, means: 'the same value from the same scale within so many seconds is a double press', source: CP },
  'release.windowMinutes': {
    value: 240,
    means: 'a second weighing releases a held reading when it is at most this far in time',
    source: CP,
  },
  'release.weightKg': {
    value: '0.2',
    means: 'two weights on one scale agree when they differ by at most this',
    source: 'PhenX Toolkit 021501 and 570101 (more than 200 g: measure again)',
  },
  'release.weightOtherScaleKg': {
    value: '0.4',
    means: 'two weights on two scales agree when they differ by at most this',
    source: 'OIML R 76-1, class III in service: two scales with e = 0.1 kg may differ by 0.4 kg at 70 kg, computed',
  },
  'release.infantWeightKg': {
    value: '0.1',
    means: 'two weights of somebody under 24 months agree when they differ by at most this',
    source: 'WHO Multicentre Growth Reference Study, maximum allowable difference 100 g (from memory)',
  },
  'release.heightCm': {
    value: '1.0',
    means: 'two heights agree when they differ by at most this',
    source: 'PhenX Toolkit 570101 (more than 1.0 cm: measure again)',
  },
  'comparability.timeOfDayHours': {
    value: 3,
    means: 'weights compare when their times of day are at most this far apart, by the clock of the ward',
    source: `${CP}: the same time of day; heart-failure instructions of many hospitals say so without a figure`,
  },
  'comparability.unknownCompares': {
    value: true,
    means: 'what neither of two readings says (scale, method, clothing) counts as the same; what only one says never does',
    source: `${CP}: a gateway that never says it would otherwise never be compared`,
  },
  'ward.timeZone': {
    value: 'as-written',
    means: 'time zone of the ward for times of day, an IANA name such as Europe/Oslo; as-written takes the offset that each reading has',
    source: 'IANA Time Zone Database',
    kind: 'time-zone',
  },
} as const satisfies Record<string, SettingRow>;

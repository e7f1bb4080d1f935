/** Settings for what a weight stands on: tare, zero check, calibration. */
import { CP, type SettingRow } from './row.ts';

export const DEVICE_SETTINGS = {
  'tare.validDays': {
    value: 90,
    means: 'a tare that was established longer ago than this is expired: cushions and footrests change',
    source: CP,
  },
  'tare.jumpToleranceKg': {
    value: '2',
    means: 'a change within this of the mass of a known chair is named as a forgotten or double tare',
    source: 'NHANES 2017-2018 adults with an 18 kg chair left in, computed',
  },
  'tare.jumpLeastKg': {
    value: '5',
    means: 'changes below this are never taken for a chair',
    source: `${CP}: manual wheelchairs weigh 12 to 25 kg`,
  },
  'zero.validHours': {
    value: 24,
    means: 'a zero check older than this at the time of weighing is remarked on',
    source: 'PhenX Toolkit 021501, Measured Weight (scale checked daily); nursing-assistant checklists ask for it before every weighing',
  },
  'calibration.validDays': {
    value: 365,
    means: 'a calibration older than this at the time of weighing is overdue',
    source: 'Victoria (AU) Department of Education, child weighing page: at least once a year',
  },
} as const satisfies Record<string, SettingRow>;

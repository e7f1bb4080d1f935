/**
 * Who else stood on a scale within minutes is asked of a scale that weighs a ward for years: the
 * index reads those minutes and nothing else.
 */
import type { Migration } from '../migrator.ts';

export const scaleByTime: Migration = {
  number: 3,
  name: 'scale-by-time',
  statements: [
    'create index observation_by_device_time on observation (device, start_ms) where device is not null',
    'drop index observation_by_device',
  ],
};

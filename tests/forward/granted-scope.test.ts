import { expect, it } from 'vitest';
import { missingScopes } from '../../src/forward/granted-scope.ts';

it.each<readonly [string, string | undefined, readonly string[]]>([
  ['system/Observation.crus', undefined, []],
  ['system/Observation.crus', 'system/Observation.crus', []],
  ['system/Observation.crus', 'system/Observation.cruds other', []],
  ['system/Observation.crus', 'system/*.cruds', []],
  ['system/Observation.crus', 'system/*.*', []],
  ['system/Observation.rs', 'system/Observation.read', []],
  ['system/Observation.read', 'system/Observation.rs', []],
  ['system/Observation.crus system/Provenance.crus', 'system/Observation.crus', ['system/Provenance.crus']],
  ['system/Observation.crus', 'system/Observation.rs', ['system/Observation.crus']],
  ['system/Observation.crus', 'system/Observation.read', ['system/Observation.crus']],
  ['system/Observation.crus', 'user/Observation.crus', ['system/Observation.crus']],
  ['system/Observation.crus', 'system/Observation.crus?category=laboratory', ['system/Observation.crus']],
  ['system/Observation.crus', '', ['system/Observation.crus']],
  ['ward-scales', 'ward-scales', []],
  ['ward-scales', 'ward', ['ward-scales']],
  ['system/Observation.', 'system/Observation.crus', ['system/Observation.']],
])('of %j, a grant of %j leaves out %j', (asked, granted, missing) => {
  expect(missingScopes(asked, granted)).toEqual(missing);
});

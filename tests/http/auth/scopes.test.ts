import { describe, expect, test } from 'vitest';
import { grantsOf } from '../../../src/http/auth/scopes.ts';

const interactions = (scopes: string, hasPerson = false): string[] => [...grantsOf(scopes.split(' '), hasPerson).interactions].sort();

describe('the scopes of a token', () => {
  test.each([
    ['system/Observation.c', ['Observation.c']],
    ['system/Observation.rs', ['Observation.r', 'Observation.s']],
    ['system/Observation.cruds', ['Observation.c', 'Observation.d', 'Observation.r', 'Observation.s', 'Observation.u']],
    ['system/*.rs', ['*.r', '*.s']],
    ['system/Observation.c system/Device.u', ['Device.u', 'Observation.c']],
    // version 1
    ['system/Observation.read', ['Observation.r', 'Observation.s']],
    ['system/Observation.write', ['Observation.c', 'Observation.d', 'Observation.u']],
    ['system/Device.*', ['Device.c', 'Device.d', 'Device.r', 'Device.s', 'Device.u']],
    ['system/*.read', ['*.r', '*.s']],
  ])('%s allow %j', (scopes, expected) => {
    expect(interactions(scopes)).toEqual(expected);
  });

  test.each([
    'system/Observation.sr',
    'system/Observation.dus',
    'system/Observation.cc',
    'system/Observation.',
    'system/Observation.x',
    'system/Observation.C',
    'system/Observation.reads',
    'system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|vital-signs',
    'system/Observation.read?code=x',
    'system/observation.rs',
    'system/Obs*.rs',
    'system/**.rs',
    'patient/Observation.cruds',
    'patient/*.*',
    'Observation.rs',
    'SYSTEM/Observation.rs',
    'system/Observation.rs\u0000',
    'xsystem/Observation.rs',
    'openid',
    '',
  ])('%j allows nothing', (scopes) => {
    const grants = grantsOf([scopes], true);
    expect([[...grants.interactions], [...grants.roles]]).toEqual([[], []]);
  });

  test('user/ counts only for a person, system/ for everybody', () => {
    expect(interactions('user/Observation.rs')).toEqual([]);
    expect(interactions('user/Observation.rs', true)).toEqual(['Observation.r', 'Observation.s']);
    expect(interactions('system/Observation.r', true)).toEqual(['Observation.r']);
  });

  test('the roles are scopes of our own, to the letter, and no wildcard holds them', () => {
    const roles = (scope: string): string[] => [...grantsOf([scope], true).roles];
    expect([roles('steelyard/review'), roles('steelyard/operate')]).toEqual([['review'], ['operate']]);
    for (const scope of ['system/*.*', 'user/*.cruds', 'steelyard/*', 'Steelyard/review', 'steelyard/review2'])
      expect(roles(scope)).toEqual([]);
  });
});

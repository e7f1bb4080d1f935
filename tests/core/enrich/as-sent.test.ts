import { describe, expect, it } from 'vitest';
import { asSent } from '../../../src/core/enrich/as-sent.ts';
import { evaluate } from '../../../src/core/evaluate.ts';
import type { ExactObservation } from '../../../src/core/observation.ts';
import { additionsIn } from '../../../src/core/provenance.ts';
import type { Context } from '../../../src/core/reading.ts';
import { OURS, SYSTEM } from '../../../src/core/terminology.ts';
import { coded, context, height, observation, policyWith, weight } from '../../measurements.ts';

/** Sent, judged, stored, and taken back to what was sent. */
function roundTrip(sent: ExactObservation, around: Context): ExactObservation {
  const { stored } = evaluate(sent, around);
  if (stored === undefined) throw new Error('it was refused');
  const added = additionsIn(stored.provenance).map(({ what }) => what);
  return asSent(stored.observation, stored.reading, added);
}

const CHAIR: Partial<Context> = {
  device: { key: 'Device/chair', known: true, defaultMethod: 'wheelchair-platform', defaultClothing: 'underwear' },
};
const BY_BED = { method: { coding: [{ system: OURS.methodSystem, code: 'bed-scale' }] } };

describe.each(['component', 'extension'])('a stored reading in the shape of a %s', (shape) => {
  it.each<[string, ExactObservation, Partial<Context>]>([
    ['plain', weight(), {}],
    ['of a scale that is known', weight(), CHAIR],
    ['that says its method itself', weight('70.0', 'kg', BY_BED), CHAIR],
    ['with a more specific code alone', observation('3141-9', '70.0', 'kg'), {}],
    [
      'with both codes',
      observation('3141-9', '70.0', 'kg', {
        code: { coding: [...([coded('29463-7')['coding']].flat() as object[]), { system: SYSTEM.loinc, code: '3141-9' }] } as never,
      }),
      {},
    ],
    ['that is held', weight('300.0'), {}],
    ['a height', height(), {}],
  ])('%s is as its sender wrote it, but for the profiles', (_what, sent, more) => {
    const policy = policyWith({ 'qualifiers.shape': shape });
    const { meta, ...others } = roundTrip(sent, context({ policy, ...more }));
    expect(others).toEqual(sent);
    expect(Object.keys(meta ?? {})).toEqual(['profile']);
  });
});

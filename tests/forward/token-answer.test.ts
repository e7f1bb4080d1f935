/** Whatever a token endpoint writes: no fault of ours, no token that could do harm, no word of it repeated. */
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { readTokenAnswer } from '../../src/forward/token-answer.ts';

const VALID = '{"access_token":"abc.def-123","token_type":"Bearer","expires_in":300,"scope":"system/Observation.crus"}';

it('is read as the standard writes it', () => {
  expect(readTokenAnswer(200, VALID)).toEqual({
    ok: true,
    token: { token: 'abc.def-123', lifeSeconds: 300, scope: 'system/Observation.crus' },
  });
});

it('is never more than a token that fits into a header, for any text and status', () => {
  const damaged = fc
    .tuple(fc.nat(VALID.length), fc.nat(8), fc.string({ maxLength: 8 }))
    .map(([at, length, put]) => VALID.slice(0, at) + put + VALID.slice(at + length));
  const value = fc.oneof(fc.string(), fc.integer(), fc.constant(null), fc.array(fc.string()), fc.boolean());
  const made = fc
    .record(
      { access_token: value, token_type: fc.oneof(fc.constant('bearer'), value), expires_in: value, scope: value, error: value },
      { requiredKeys: [] },
    )
    .map((answer) => JSON.stringify(answer));
  const status = fc.oneof(fc.constant(200), fc.integer({ min: 100, max: 599 }));
  fc.assert(
    fc.property(status, fc.oneof(damaged, made, fc.json(), fc.string(), fc.constant(undefined)), (code, text) => {
      const answer = readTokenAnswer(code, text);
      if (!answer.ok) return /^the token endpoint [a-z0-9 ,:;()_.A-Z]+$/.test(answer.cause);
      const { token, lifeSeconds } = answer.token;
      return code === 200 && /^[A-Za-z0-9._~+/-]+=*$/.test(token) && lifeSeconds >= 0 && lifeSeconds < 1e9;
    }),
    { numRuns: 10_000, seed: 20261125 },
  );
});

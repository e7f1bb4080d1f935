import { describe, expect, it } from 'vitest';
import { Breaker } from '../../src/forward/breaker.ts';
import type { Setback } from '../../src/forward/classify.ts';
import { ItemTroubles } from '../../src/forward/item-troubles.ts';

const NOW = Date.parse('2026-03-02T12:00:00Z');
const HOUR_MS = 3_600_000;
const unclear: Setback = { kind: 'unclear', reason: 'no answer' };
const slow: Setback = { kind: 'transient', reason: 'timeout', status: 408 };
const refused: Setback = { kind: 'unsent', reason: 'refused' };
const forbidden: Setback = { kind: 'destination', reason: 'no', status: 403 };
const busy = (retryAfter?: string): Setback => ({
  kind: 'transient',
  reason: 'busy',
  status: 503,
  ...(retryAfter !== undefined && { retryAfter }),
});

function breakerWith(random = 0.5, most = 8) {
  const states: string[] = [];
  const breaker = new Breaker({ random: () => random, most, changed: (state) => void states.push(state) });
  return { breaker, states };
}

describe('the breaker opens', () => {
  it.each([
    ['unclear', unclear],
    ['transient', slow],
  ])('after five different items in a row whose outcome is %s', (_kind, setback) => {
    const { breaker, states } = breakerWith();
    for (let item = 1; item <= 4; item += 1) breaker.failed(item, setback, NOW);
    expect(breaker.room(0, NOW)).toBeGreaterThan(0);
    expect(breaker.failed(5, setback, NOW)).toBe(true);
    expect(states).toEqual(['open']);
    expect(breaker.room(0, NOW)).toBe(0);
  });

  it('not for one item that fails five times, nor for five with a success in between', () => {
    const { breaker, states } = breakerWith();
    for (let time = 1; time <= 9; time += 1) breaker.failed(1, unclear, NOW);
    for (let item = 2; item <= 4; item += 1) breaker.failed(item, unclear, NOW);
    breaker.worked();
    for (let item = 5; item <= 8; item += 1) breaker.failed(item, unclear, NOW);
    expect(states).toEqual([]);
  });

  it.each([
    ['a fault of the destination', forbidden],
    ['an EHR that is not reached', refused],
    ['an EHR that asks for patience', busy('30')],
  ])('at once for %s, which is news once', (_what, setback) => {
    const { breaker, states } = breakerWith();
    expect(breaker.failed(1, setback, NOW)).toBe(true);
    expect(breaker.failed(2, setback, NOW)).toBe(false);
    expect(states).toEqual(['open']);
  });
});

describe('an open breaker', () => {
  it('lets one probe through at a time, and waits longer after each that fails, with jitter', () => {
    const { breaker, states } = breakerWith();
    const waits: number[] = [];
    let nowMs = NOW;
    for (let round = 1; round <= 12; round += 1) {
      breaker.failed(round, refused, nowMs);
      waits.push(breaker.pausedUntilMs - nowMs);
      expect(breaker.room(0, breaker.pausedUntilMs - 1)).toBe(0);
      nowMs = breaker.pausedUntilMs;
      expect(breaker.room(0, nowMs)).toBe(1);
      expect(breaker.room(1, nowMs)).toBe(0);
      breaker.begun();
      expect(breaker.room(1, nowMs)).toBe(0);
    }
    expect(waits).toEqual([500, 1_000, 2_000, 4_000, 8_000, 16_000, 32_000, 64_000, 128_000, 150_000, 150_000, 150_000]);
    expect(states.slice(0, 4)).toEqual(['open', 'half-open', 'open', 'half-open']);
  });

  it('takes what began before it opened for no failure of its own, and for no recovery', () => {
    const { breaker } = breakerWith();
    breaker.failed(1, busy('120'), NOW);
    breaker.failed(2, refused, NOW + 10);
    expect(breaker.worked()).toBe(false);
    expect(breaker.pausedUntilMs).toBe(NOW + 120_000);
    expect(breaker.room(0, NOW + 119_999)).toBe(0);
  });

  it('waits as long as the longest that was asked of it', () => {
    const { breaker } = breakerWith();
    breaker.failed(1, busy('120'), NOW);
    breaker.failed(2, busy('300'), NOW);
    breaker.failed(3, busy('60'), NOW);
    expect(breaker.pausedUntilMs).toBe(NOW + 300_000);
  });

  it.each([
    ['0', 500],
    ['soon', 500],
    [undefined, 500],
    ['Mon, 02 Mar 2026 11:00:00 GMT', 500],
    ['999999999', HOUR_MS],
    ['Thu, 03 Mar 2036 12:00:00 GMT', HOUR_MS],
  ])('waits for Retry-After %s as long as that makes sense', (header, waitMs) => {
    const { breaker } = breakerWith();
    breaker.failed(1, busy(header), NOW);
    expect(breaker.pausedUntilMs - NOW).toBe(waitMs);
  });

  it('comes back in steps of 1, 2, 4 and so on', () => {
    const { breaker, states } = breakerWith(0, 8);
    breaker.failed(1, refused, NOW);
    breaker.begun();
    expect(breaker.worked()).toBe(true);
    const rooms: number[] = [];
    for (let success = 0; success < 5; success += 1) {
      rooms.push(breaker.room(0, NOW));
      breaker.worked();
    }
    expect(rooms).toEqual([1, 2, 4, 8, 8]);
    expect(states).toEqual(['open', 'half-open', 'closed']);
  });

  it('goes down a step when something fails on the way up', () => {
    const { breaker } = breakerWith(0, 8);
    breaker.failed(1, refused, NOW);
    breaker.begun();
    for (let success = 0; success < 3; success += 1) breaker.worked();
    expect(breaker.room(0, NOW)).toBe(4);
    breaker.failed(9, unclear, NOW);
    expect(breaker.room(0, NOW)).toBe(2);
  });

  it('tries another item when the probe said nothing of the EHR', () => {
    const { breaker } = breakerWith(0);
    breaker.failed(1, refused, NOW);
    breaker.begun();
    breaker.undecided();
    expect(breaker.isClosed).toBe(false);
    expect(breaker.room(0, NOW)).toBe(1);
  });

  it('is stuck by no clock: one that is set back a day probes at once, one set forward too', () => {
    const { breaker } = breakerWith();
    breaker.failed(1, busy('3600'), NOW);
    expect(breaker.room(0, NOW - 24 * HOUR_MS)).toBe(1);
    expect(breaker.room(0, NOW + 24 * HOUR_MS)).toBe(1);
    expect(breaker.room(0, NOW)).toBe(0);
  });
});

describe('the troubles of an item', () => {
  it('are its own once others got through between its failures twice', () => {
    const troubles = new ItemTroubles();
    expect(troubles.failed(1)).toEqual({ failures: 1, isItsOwn: false });
    troubles.settled(2);
    expect(troubles.failed(1)).toEqual({ failures: 2, isItsOwn: false });
    troubles.settled(3);
    expect(troubles.failed(1)).toEqual({ failures: 3, isItsOwn: true });
    expect(troubles.failed(1)).toEqual({ failures: 4, isItsOwn: true });
  });

  it('are not while nothing gets through, and are forgotten when it does', () => {
    const troubles = new ItemTroubles();
    for (let time = 1; time <= 9; time += 1) expect(troubles.failed(1).isItsOwn).toBe(false);
    troubles.settled(1);
    expect(troubles.failed(1)).toEqual({ failures: 1, isItsOwn: false });
  });
});

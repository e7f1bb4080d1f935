import { setImmediate as nextTurn } from 'node:timers/promises';
import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';
import { afterEach, expect, test } from 'vitest';
import { watchProcess, type ProcessPressure } from '../../src/http/process-pressure.ts';

let watched: ProcessPressure | undefined;
afterEach(() => watched?.stop());

/** Keeps the event loop from turning. */
function block(ms: number): void {
  const until = performance.now() + ms;
  while (performance.now() < until);
}

test('an event loop that is blocked again and again is told as late', async () => {
  watched = watchProcess();
  while (watched.loopDelayMs() < 50) {
    block(300);
    await nextTurn();
  }
  expect(watched.loopDelayMs()).toBeGreaterThan(50);
});

test('the share of the heap is that after a full collection, and nothing is known before one', async () => {
  watched = watchProcess();
  expect(watched.heapShare()).toBe(0);
  setFlagsFromString('--expose-gc');
  const collect = runInNewContext('gc') as () => void;
  while (watched.heapShare() === 0) {
    collect();
    await nextTurn();
  }
  expect(watched.heapShare()).toBeLessThan(1);
});

/**
 * How this process is doing: how late its event loop runs, and how full its heap is.
 */
import { constants, monitorEventLoopDelay, PerformanceObserver } from 'node:perf_hooks';
import { getHeapStatistics } from 'node:v8';

export interface ProcessPressure {
  /** Mean delay of the event loop over the last second, in ms. */
  readonly loopDelayMs: () => number;
  /** Share of the heap limit that was in use after the last full collection; 0 when that is long ago. */
  readonly heapShare: () => number;
  readonly stop: () => void;
}

/** How often the loop is looked at. */
const RESOLUTION_MS = 20;
/** One large Bundle blocks the loop for a moment; only what lasts is a reason to refuse others. */
const OVER_MS = 1_000;
/**
 * A heap that is really tight is collected several times a second. What is older says nothing, and
 * must not keep the service closed: while nothing is taken in, nothing may cause a collection.
 */
const HEAP_NEWS_MS = 5_000;

/** What entries of the type `gc` look like (Node.js documentation, perf_hooks, "Garbage Collection ('gc') Details"). */
interface GcEntry {
  readonly detail: { readonly kind: number };
}

/** Keeps no process alive. */
export function watchProcess(): ProcessPressure {
  const delays = monitorEventLoopDelay({ resolution: RESOLUTION_MS });
  delays.enable();
  let loopDelayMs = 0;
  const look = setInterval(() => {
    // the histogram holds whole turns, of which the resolution itself is no delay; without a turn its mean is NaN
    loopDelayMs = Math.max(0, delays.mean / 1e6 - RESOLUTION_MS) || 0;
    delays.reset();
  }, OVER_MS).unref();

  let collected = { share: 0, atMs: 0 };
  const collections = new PerformanceObserver((list) => {
    const isFull = (list.getEntries() as unknown as readonly GcEntry[]).some(
      ({ detail }) => detail.kind === constants.NODE_PERFORMANCE_GC_MAJOR,
    );
    if (!isFull) return;
    const { used_heap_size: used, heap_size_limit: limit } = getHeapStatistics();
    collected = { share: used / limit, atMs: performance.now() };
  });
  collections.observe({ entryTypes: ['gc'] });

  return {
    loopDelayMs: () => loopDelayMs,
    heapShare: () => (performance.now() - collected.atMs < HEAP_NEWS_MS ? collected.share : 0),
    stop: () => {
      clearInterval(look);
      delays.disable();
      collections.disconnect();
    },
  };
}

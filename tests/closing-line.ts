/** Prints the plain closing line "N passed, N failed" that a run is counted by, whatever the runner. */
import type { Reporter, TestModule } from 'vitest/node';

export default class ClosingLine implements Reporter {
  onTestRunEnd(modules: readonly TestModule[], unhandledErrors: readonly unknown[]): void {
    const count = { passed: 0, failed: 0, skipped: 0, pending: 0 };
    for (const module of modules) {
      for (const test of module.children.allTests()) count[test.result().state] += 1;
      if (module.state() === 'failed' && [...module.children.allTests()].every((test) => test.result().state !== 'failed'))
        count.failed += 1;
    }
    const failed = count.failed + count.pending + unhandledErrors.length;
    const skipped = count.skipped > 0 ? `, ${count.skipped} skipped` : '';
    process.stdout.write(`\n${count.passed} passed, ${failed} failed${skipped}\n`);
  }
}

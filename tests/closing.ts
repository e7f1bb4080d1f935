/**
 * What a helper starts for a test is closed after it. Helpers say so here and register no hook of
 * their own: test files share a worker and the helpers' code (`isolate: false` in vitest.config.ts),
 * and a hook that is registered while a module loads belongs to the first file that loads it.
 */
export type Close = () => Promise<void> | void;

const ofTest: Close[] = [];
const ofFile: Close[] = [];

/** Closes it after the test that runs now, before what was started earlier. */
export function closeAfterTest(close: Close): void {
  ofTest.push(close);
}

/** Closes it after the last test of the file that runs now. */
export function closeAfterFile(close: Close): void {
  ofFile.push(close);
}

/** All of them are closed, also when one throws; the first error is thrown then. */
export async function closeAll(of: 'test' | 'file'): Promise<void> {
  const errors: unknown[] = [];
  for (const close of (of === 'test' ? ofTest : ofFile).splice(0).reverse())
    try {
      await close();
    } catch (error) {
      errors.push(error);
    }
  if (errors.length > 0) throw errors[0];
}

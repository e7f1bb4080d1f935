/**
 * The order of test files where no earlier run tells how long each takes, as on a clean checkout: the
 * longest ones first, so that none of them is left over for one worker while the others are done.
 */
import { BaseSequencer, type TestSpecification } from 'vitest/node';

/** Those that take half a minute and more. What is missing here is only run later. */
const LONGEST = [
  'tests/faults/',
  'tests/hostile/mutations.test.ts',
  'tests/bench/judgement/counting.test.ts',
  'tests/browser/',
  'tests/forward/hostile-answers.test.ts',
  'tests/property/',
  'tests/contract/',
  'tests/store/',
  'tests/cli/',
  'tests/main.test.ts',
  'tests/published/',
];

export class LongestFirst extends BaseSequencer {
  override async sort(files: TestSpecification[]): Promise<TestSpecification[]> {
    const rank = ({ moduleId }: TestSpecification): number => {
      const place = LONGEST.findIndex((path) => moduleId.includes(path));
      return place === -1 ? LONGEST.length : place;
    };
    return (await super.sort(files)).sort((one, other) => rank(one) - rank(other));
  }
}

/** A process that judges the cohorts it is sent, one after another; started by `main.ts`. */
import { judgeCohort, type Cohort } from './judge.ts';

process.on('message', (cohort: Cohort) => {
  void judgeCohort(cohort).then((result) => process.send?.(result));
});

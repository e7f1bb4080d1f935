import { testFaults } from './fault-tests.ts';
import { EHR_ANSWERS } from './table/ehr-answers.ts';

testFaults(EHR_ANSWERS);

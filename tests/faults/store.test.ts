import { testFaults } from './fault-tests.ts';
import { STORE_FAULTS } from './table/store-faults.ts';

testFaults(STORE_FAULTS);

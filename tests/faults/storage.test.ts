import { testFaults } from './fault-tests.ts';
import { STORAGE_ERRORS } from './table/storage-errors.ts';

testFaults(STORAGE_ERRORS);

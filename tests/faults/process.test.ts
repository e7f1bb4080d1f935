import { testFaults } from './fault-tests.ts';
import { KILLS } from './table/kills.ts';

testFaults(KILLS);

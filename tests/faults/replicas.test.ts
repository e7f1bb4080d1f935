import { testFaults } from './fault-tests.ts';
import { REPLICAS } from './table/replicas.ts';

testFaults(REPLICAS);

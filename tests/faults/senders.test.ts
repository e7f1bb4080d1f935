import { testFaults } from './fault-tests.ts';
import { CLOCKS } from './table/clocks.ts';
import { MIXED } from './table/mixed.ts';
import { SENDERS } from './table/senders.ts';
import { TOKENS } from './table/tokens.ts';

testFaults([...CLOCKS, ...SENDERS, ...TOKENS, MIXED]);

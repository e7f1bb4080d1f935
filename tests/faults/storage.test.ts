import { testFaults } from './fault-tests.ts';
import { BACKUPS } from './table/backups.ts';
import { PURGES } from './table/purges.ts';
import { STORAGE_ERRORS } from './table/storage-errors.ts';

testFaults([...STORAGE_ERRORS, ...BACKUPS, ...PURGES]);

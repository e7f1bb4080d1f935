/** Who sent what was refused, so that whoever looks after the sender can be told. */
import type { Migration } from '../migrator.ts';

export const refusalClient: Migration = {
  number: 9,
  name: 'refusal-client',
  statements: ['alter table refusal add column client text'],
};

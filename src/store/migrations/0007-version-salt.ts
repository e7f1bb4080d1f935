/**
 * What goes before a version's text when it is hashed for the audit. The hash stays in the audit when
 * a person is removed, and the salt goes with them: then nobody can try which weight it was.
 */
import type { Migration } from '../migrator.ts';

export const versionSalt: Migration = {
  number: 7,
  name: 'version-salt',
  statements: ['alter table resource_version add column salt text'],
};

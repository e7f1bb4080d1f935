/**
 * Whom a reading was sent for is remembered of every reading, since a Patient may be replaced by
 * another one and the replacement taken back. Until now only logical references were: the rest was
 * sent under the very key that it is filed for.
 */
import type { Migration } from '../migrator.ts';

export const personAsSent: Migration = {
  number: 2,
  name: 'person-as-sent',
  statements: ["update observation set person_as_sent = person where person_as_sent is null and quantified in ('weight', 'height')"],
};

/** Holds the number for a step that is made elsewhere at the same time. */
import type { Migration } from '../migrator.ts';

export const reserved: Migration = { number: 8, name: 'reserved', statements: ['update health set checks = checks'] };

/** Invented children on an invented day, and the tables they are compared with. */
import type { Child } from '../../../src/core/growth/assess.ts';
import { inventedTables } from './invented-tables.ts';

export const AT = Date.parse('2026-03-02T08:00:00Z');
export const BOTH = inventedTables();
export const WHO_ONLY = inventedTables((id) => id.startsWith('who'));
export const CDC_ONLY = inventedTables((id) => id.startsWith('cdc'));

export const boy = (birthDate: string): Child => ({ sex: 'male', birthDate });
/** 23 completed months and 728 days, 24 months and 730 days: a birthday without a leap day between. */
export const ALMOST_TWO = boy('2024-03-04');
export const TWO = boy('2024-03-02');
export const TEN = boy('2016-03-02');

/**
 * The age by which a growth chart is entered: exact, or none.
 *
 * Calendar dates are taken in UTC, as everywhere in the core (`fhir-time.ts`). Where that day is
 * not the ward's day, the age may differ by one day, which moves no chart by a visible amount.
 */
import { ageAt } from '../fhir-time.ts';

/** Completed days and completed calendar months; never negative. */
export interface ExactAge {
  readonly days: number;
  readonly months: number;
}

/**
 * Exact age at an instant. Undefined when the birth date is missing, no FHIR date, known to the
 * year or month only, or later than the instant's day: a chart read at a guessed age misleads.
 */
export function exactAgeAt(birthDate: string | undefined, atMs: number): ExactAge | undefined {
  if (birthDate === undefined || birthDate.length !== 'YYYY-MM-DD'.length) return undefined;
  const age = ageAt(birthDate, atMs);
  if (age === undefined || !(age.oldestDays >= 0)) return undefined;
  return { days: age.oldestDays, months: age.oldestMonths };
}

/**
 * The age, in months, under which the CDC tables list a child: the middle of its month of life,
 * and 0 on the day of birth only. "48.5" stands for 48.0 up to but not including 49.0.
 * Source: CDC/NCHS, Percentile Data Files with LMS Values (2000 growth charts).
 */
export function cdcMonths({ days, months }: ExactAge): number {
  return days === 0 ? 0 : months + 0.5;
}

/** Length of a month in the WHO calculations: a twelfth of 365.25 days. */
const WHO_DAYS_A_MONTH = 30.4375;

/**
 * Completed months as WHO counts them for its 5 to 19 years tables: days over 30.4375.
 * Source: WHO Child Growth Standards 2006 and WHO Reference 2007, instructions for calculation.
 */
export function whoMonths({ days }: ExactAge): number {
  return Math.floor(days / WHO_DAYS_A_MONTH);
}

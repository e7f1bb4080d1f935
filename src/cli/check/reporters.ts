/** Which form of report is written by whom; each is loaded when it is asked for. */
import type { Format, Reporter, Reporting } from './reporter.ts';

export async function reporterOf(format: Format, reporting: Reporting): Promise<Reporter> {
  switch (format) {
    case 'text':
      return (await import('./report-text.ts')).textReporter(reporting);
    case 'json':
      return (await import('./report-json.ts')).jsonReporter(reporting);
    case 'junit':
      return (await import('./report-junit.ts')).junitReporter(reporting);
    case 'sarif':
      return (await import('./report-sarif.ts')).sarifReporter(reporting);
  }
}

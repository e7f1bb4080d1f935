/** The judgement of files as one FHIR OperationOutcome. */
import type * as fhir4 from 'fhir/r4.js';
import { OURS } from '../../core/terminology.ts';
import type { CheckedText } from './checked.ts';
import type { Reporter, Reporting } from './reporter.ts';

const NOTHING: fhir4.OperationOutcomeIssue = { severity: 'information', code: 'informational', diagnostics: 'There was nothing to judge.' };

/** With several texts, each issue begins with the name of its file, and of an NDJSON file with the line too. */
export function jsonReporter({ write, policy }: Reporting): Reporter {
  const texts: (Pick<CheckedText, 'file' | 'line'> & { readonly issues: readonly fhir4.OperationOutcomeIssue[] })[] = [];
  return {
    take: ({ file, line, readings, unreadable }) => {
      const remarks = [...(unreadable ? [unreadable.remark] : []), ...readings.flatMap((reading) => reading.remarks)];
      texts.push({ file, ...(line !== undefined && { line }), issues: remarks.map(({ issue }) => issue) });
    },
    end: () => {
      const issue = texts.flatMap(({ file, line, issues }) => {
        if (texts.length === 1 && line === undefined) return issues;
        const name = line === undefined ? file : `${file}:${line}`;
        return issues.map((one) => ({ ...one, diagnostics: `${name}: ${one.diagnostics ?? ''}` }));
      });
      const outcome: fhir4.OperationOutcome = {
        resourceType: 'OperationOutcome',
        extension: [{ url: OURS.policyVersionExtension, valueString: policy.version }],
        issue: issue.length > 0 ? issue : [NOTHING],
      };
      write(JSON.stringify(outcome, undefined, 2));
    },
  };
}

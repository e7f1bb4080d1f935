/** What the issues of an OperationOutcome say, as the pages show it. */
import type * as fhir4 from 'fhir/r4.js';
import { OURS } from '../../core/terminology.ts';
import type { FindingOutcome } from '../../review/marked-text.ts';

export interface IssueWords {
  readonly rule: string;
  readonly title: string;
  readonly says: string;
  readonly outcome: FindingOutcome;
  /** FHIRPath of the element; absent when the issue names none. */
  readonly expression?: string;
  readonly source?: string;
}

const OF_SEVERITY: Readonly<Record<fhir4.OperationOutcomeIssue['severity'], FindingOutcome>> = {
  fatal: 'refuse',
  error: 'refuse',
  warning: 'warn',
  information: 'inform',
};

export function issueInWords({ details, diagnostics = '', expression, extension = [], severity }: fhir4.OperationOutcomeIssue): IssueWords {
  const source = extension.find(({ url }) => url === OURS.ruleSourceExtension)?.valueString;
  const isHold = extension.some(({ url, valueCode }) => url === OURS.ruleOutcomeExtension && valueCode === 'hold');
  const [at] = expression ?? [];
  return {
    rule: details?.coding?.[0]?.code ?? '',
    title: details?.text ?? details?.coding?.[0]?.display ?? 'Refused',
    says: diagnostics,
    outcome: isHold ? 'hold' : OF_SEVERITY[severity],
    ...(at !== undefined && { expression: at }),
    ...(source !== undefined && { source }),
  };
}

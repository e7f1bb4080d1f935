/**
 * The judgement of files as SARIF (Static Analysis Results Interchange Format 2.1.0, OASIS Standard,
 * 2020), which editors and code hosts show beside the lines concerned. Section numbers are that
 * document's. What no rule speaks of, as a file that is not there, is a notification of the tool.
 */
import { isAbsolute, sep } from 'node:path';
import { pathToFileURL } from 'node:url';
import type { RulePassport } from '../../core/finding.ts';
import { RULES } from '../../core/rules/index.ts';
import { outcomeUnder } from '../../core/rules/rule.ts';
import type { Policy } from '../../core/policy.ts';
import { softwareVersion } from '../../version.ts';
import { CAUTION } from '../terminal.ts';
import { fileName, type CheckedReading, type CheckedText, type PlaceInFile, type Remark } from './checked.ts';
import type { Reporter, Reporting } from './reporter.ts';
import { STANDARD_INPUT } from './sources.ts';

type Level = 'error' | 'warning' | 'note';

const LEVEL_OF_SEVERITY: Readonly<Record<string, Level>> = { fatal: 'error', error: 'error', warning: 'warning', information: 'note' };
const LEVEL_OF_OUTCOME = { refuse: 'error', hold: 'warning', warn: 'warning', inform: 'note', off: 'none' } as const;

const SCHEMA = 'https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json';

export function sarifReporter({ write, policy, nowMs }: Reporting): Reporter {
  const results: ReturnType<typeof toResult>[] = [];
  const notifications: object[] = [];
  return {
    take: ({ file, readings, unreadable }) => {
      if (unreadable?.remark.rule === undefined) {
        if (unreadable) notifications.push(toNotification(file, unreadable));
      } else results.push(toResult(unreadable.remark, unreadable.remark.rule, file));
      for (const reading of readings)
        for (const remark of reading.remarks)
          if (remark.rule !== undefined && remark.rule !== 'no-remarks') results.push(toResult(remark, remark.rule, file, reading));
    },
    end: () => write(JSON.stringify(logOf(results, notifications, policy, nowMs), undefined, 2)),
  };
}

function logOf(results: readonly ReturnType<typeof toResult>[], notifications: readonly object[], policy: Policy, nowMs: number): object {
  const spoke = new Set(results.map(({ ruleId }) => ruleId));
  const rules = RULES.filter(({ id }) => spoke.has(id));
  const indexOf = new Map(rules.map(({ id }, index) => [id, index]));
  return {
    $schema: SCHEMA,
    version: '2.1.0',
    runs: [
      {
        tool: {
          driver: {
            name: 'Steelyard',
            version: softwareVersion(),
            semanticVersion: softwareVersion(),
            fullDescription: { text: CAUTION },
            rules: rules.map((rule) => toDescriptor(rule, policy)),
          },
        },
        // 3.14.26 and 3.14.27: as places are counted here, see core/place-in-text.ts
        columnKind: 'utf16CodeUnits',
        newlineSequences: ['\r\n', '\n', '\r'],
        invocations: [{ executionSuccessful: notifications.length === 0, toolExecutionNotifications: notifications }],
        results: results.map((result) => {
          const ruleIndex = indexOf.get(result.ruleId);
          return ruleIndex === undefined ? result : { ...result, ruleIndex };
        }),
        properties: { policy: policy.version, asOf: new Date(nowMs).toISOString() },
      },
    ],
  };
}

/** 3.49, reportingDescriptor: the rule's sentence with its facts left open. */
function toDescriptor(rule: RulePassport, policy: Policy): object {
  const { id, title, explain, source, family } = rule;
  const text = explain.replaceAll(/\{(\w+)\}/g, '<$1>');
  return {
    id,
    shortDescription: { text: `${title}.` },
    fullDescription: { text },
    help: { text: `${text}\nSource: ${source}.\nsteelyard explain ${id} says more, with thresholds and examples.` },
    defaultConfiguration: { level: LEVEL_OF_OUTCOME[outcomeUnder(rule, policy)] },
    properties: { tags: [family] },
  };
}

/** 3.27, result. */
function toResult({ issue, at }: Remark, ruleId: string, file: string, reading?: CheckedReading) {
  return {
    ruleId,
    level: LEVEL_OF_SEVERITY[issue.severity] ?? 'note',
    message: { text: messageText(issue.diagnostics ?? '') },
    locations: [
      {
        ...physical(file, at),
        ...(issue.expression && { logicalLocations: issue.expression.map((name) => ({ fullyQualifiedName: name })) }),
      },
    ],
    ...(reading && { properties: { verdict: reading.verdict } }),
  };
}

/** 3.58, notification: what hindered the run. */
function toNotification(file: string, { problem, remark }: NonNullable<CheckedText['unreadable']>): object {
  return { level: 'error', message: { text: messageText(`${fileName(file)}: ${problem}.`) }, locations: [physical(file, remark.at)] };
}

/** 3.29 physicalLocation and 3.30 region: the end column is that of the character behind the last one. */
function physical(file: string, at: PlaceInFile | undefined): object {
  const region = at && {
    startLine: at.line,
    startColumn: at.column,
    ...(at.endLine === at.line && at.endColumn === at.column ? {} : { endLine: at.endLine, endColumn: at.endColumn }),
  };
  return { physicalLocation: { artifactLocation: { uri: uriOf(file) }, ...(region && { region }) } };
}

/** 3.4.3: a valid URI reference (RFC 3986), relative where the path is. Standard input has no address, only a name. */
export function uriOf(file: string): string {
  if (file === STANDARD_INPUT) return 'standard-input';
  if (isAbsolute(file)) return pathToFileURL(file).href;
  return file.split(sep).map(encodeURIComponent).join('/');
}

/** 3.11.5: braces hold the place of an argument, and stand for themselves when doubled. */
function messageText(text: string): string {
  return text.replaceAll(/[{}]/g, '$&$&');
}

/**
 * The judgement of files as JUnit XML: the elements that build servers read in common, since no body
 * publishes a standard. A file is a test suite, a reading a test case; what is refused or held is a
 * failure, what cannot be read is an error.
 */
import { fileName, nameOf, type CheckedReading, type CheckedText, type Remark } from './checked.ts';
import type { Reporter, Reporting } from './reporter.ts';
import { toXml, type Element } from './xml.ts';

interface Suite {
  readonly file: string;
  readonly cases: Element[];
  failures: number;
  errors: number;
}

export function junitReporter({ write, policy, nowMs }: Reporting): Reporter {
  const suites: Suite[] = [];
  return {
    take: (checked) => {
      let suite = suites.at(-1);
      if (suite?.file !== checked.file) suites.push((suite = { file: checked.file, cases: [], failures: 0, errors: 0 }));
      add(checked, suite);
    },
    end: () => write(toXml(documentOf(suites, policy.version, nowMs)).trimEnd()),
  };
}

function add(checked: CheckedText, suite: Suite): void {
  if (checked.unreadable) {
    suite.errors += 1;
    suite.cases.push(errorCase(checked, checked.unreadable));
  }
  for (const reading of checked.readings) {
    const isFailure = reading.verdict === 'refused' || reading.verdict === 'held';
    if (!reading.isReading && !isFailure) continue;
    if (isFailure) suite.failures += 1;
    suite.cases.push(readingCase(reading, checked, isFailure));
  }
}

function errorCase({ file, line }: CheckedText, { problem, remark }: NonNullable<CheckedText['unreadable']>): Element {
  return {
    name: 'testcase',
    attributes: {
      name: [...(line === undefined ? [] : [`line ${line}`]), 'can be read'].join(', '),
      classname: fileName(file),
      file,
      line: remark.at?.line ?? line,
    },
    content: [{ name: 'error', attributes: { message: problem, type: remark.rule ?? 'unreadable' }, content: sayings([remark], file) }],
  };
}

function readingCase({ what, entry, verdict, remarks, at }: CheckedReading, { file, line }: CheckedText, isFailure: boolean): Element {
  const place = [...(line === undefined ? [] : [`line ${line}`]), ...(entry === '' ? [] : [entry])];
  const said = remarks.filter(({ rule }) => rule !== undefined);
  const deciding = said.filter(({ issue }) => ['fatal', 'error', 'warning'].includes(issue.severity));
  const [first] = deciding;
  return {
    name: 'testcase',
    attributes: { name: [...place, what].join(', '), classname: fileName(file), file, line: first?.at?.line ?? at.line },
    content: isFailure
      ? [
          {
            name: 'failure',
            attributes: { message: `${verdict} by ${first?.rule ?? 'a rule'}: ${first?.fact ?? ''}`, type: verdict },
            content: sayings(said, file),
          },
        ]
      : said.length === 0
        ? []
        : [{ name: 'system-out', content: sayings(said, file) }],
  };
}

function sayings(remarks: readonly Remark[], file: string): string {
  return remarks
    .map(({ issue, rule, at, source }) =>
      [
        `${nameOf({ file })}${at ? `:${at.line}:${at.column}` : ''} ${issue.severity}${rule === undefined ? '' : ` ${rule}`}`,
        issue.diagnostics ?? '',
        ...(source === undefined ? [] : [`Source: ${source}`]),
      ].join('\n'),
    )
    .join('\n\n');
}

function documentOf(suites: readonly Suite[], policyVersion: string, nowMs: number): Element {
  const sum = (of: (suite: Suite) => number): number => suites.reduce((total, suite) => total + of(suite), 0);
  return {
    name: 'testsuites',
    attributes: {
      name: 'steelyard check',
      tests: sum(({ cases }) => cases.length),
      failures: sum(({ failures }) => failures),
      errors: sum(({ errors }) => errors),
    },
    content: suites.map(({ file, cases, failures, errors }) => ({
      name: 'testsuite',
      attributes: {
        name: fileName(file),
        tests: cases.length,
        failures,
        errors,
        skipped: 0,
        timestamp: new Date(nowMs).toISOString().slice(0, 19),
      },
      content: [{ name: 'properties', content: [{ name: 'property', attributes: { name: 'policy', value: policyVersion } }] }, ...cases],
    })),
  };
}

/** The judgement of files as a report for people, or as one OperationOutcome. No names are printed. */
import { isLosslessNumber } from 'lossless-json';
import type * as fhir4 from 'fhir/r4.js';
import { isJsonObject, type JsonObject } from '../../core/json.ts';
import { OURS } from '../../core/terminology.ts';
import { printable, wrapped, type Terminal, type Tint } from '../terminal.ts';
import { measureOf, typeOf } from './bundle-entries.ts';
import type { Judged } from './judge.ts';

export interface CheckedFile {
  readonly file: string;
  readonly judged: readonly Judged[];
  /** Why nothing of it could be judged. */
  readonly unreadable?: { readonly problem: string; readonly issue: fhir4.OperationOutcomeIssue };
}

const TINTS: Readonly<Record<Judged['verdict'], Tint>> = {
  accepted: 'green',
  resent: 'green',
  held: 'yellow',
  refused: 'red',
  known: 'dim',
  'not judged': 'dim',
};
const SEVERITY_TINTS: Readonly<Record<string, Tint>> = { fatal: 'red', error: 'red', warning: 'yellow', information: 'dim' };

const WORDS: Readonly<Partial<Record<Judged['verdict'], string>>> = {
  resent: 'known already: sent twice',
  known: 'known to this judgement',
};

const INDENT = '    ';
const FURTHER = '      ';

export function reportLines({ file, judged, unreadable }: CheckedFile, terminal: Terminal): string[] {
  const { tint, columns } = terminal;
  const title = tint('bold', printable(file === '-' ? 'standard input' : file));
  if (unreadable) return [title, ...wrapped(`unreadable: ${printable(unreadable.problem)}`, columns, '  '), ''];
  return [title, ...judged.flatMap((entry) => entryLines(entry, terminal)), ''];
}

function entryLines({ root, resource, verdict, issues, bmi }: Judged, terminal: Terminal): string[] {
  const { tint } = terminal;
  const place = root.replace(/^Bundle\.(entry\[\d+\])\.resource$/, '$1');
  const head = `  ${tint(TINTS[verdict], WORDS[verdict] ?? verdict)}  ${describe(resource)}${place === root ? '' : tint('dim', `  ${place}`)}`;
  const where = bmi?.heightRoot.replace(/^Bundle\.|\.resource$/g, '');
  return [
    head,
    ...(bmi ? [`${INDENT}BMI ${bmi.value} kg/m2 follows${where ? `, with the height of ${where}` : ''}`] : []),
    ...issues.filter(({ details }) => details !== undefined).flatMap((issue) => issueLines(issue, terminal)),
  ];
}

function issueLines(
  { severity, details, diagnostics = '', expression = [], extension = [] }: fhir4.OperationOutcomeIssue,
  { tint, columns }: Terminal,
): string[] {
  const rule = details?.coding?.[0]?.code ?? '';
  const source = extension.find(({ url }) => url === OURS.ruleSourceExtension)?.valueString;
  return [
    `${INDENT}${tint(SEVERITY_TINTS[severity] ?? 'dim', severity)} ${tint('bold', rule)} at ${printable(expression.join(', '))}`,
    ...wrapped(printable(diagnostics), columns, FURTHER),
    ...(source === undefined ? [] : wrapped(`Source: ${source}`, columns, FURTHER).map((line) => tint('dim', line))),
  ];
}

/** `body weight 80.0 kg, 2026-03-02T08:05:00Z`: what is measured, never who. */
function describe(resource: JsonObject): string {
  const { valueQuantity, effectiveDateTime } = resource;
  if (typeOf(resource) !== 'Observation') return printable(typeOf(resource));
  const measure = measureOf(resource);
  const { value, code } = isJsonObject(valueQuantity) ? valueQuantity : {};
  const parts = [
    measure === undefined ? 'Observation' : measure === 'bmi' ? 'BMI' : `body ${measure}`,
    ...(isLosslessNumber(value) ? [value.value] : []),
    ...(isShortCode(code) && isLosslessNumber(value) ? [code] : []),
  ];
  return parts.join(' ') + (isShortCode(effectiveDateTime) ? `, ${effectiveDateTime}` : '');
}

/** Codes and times are short and plain; anything else may be what nobody should print. */
function isShortCode(value: unknown): value is string {
  return typeof value === 'string' && /^[A-Za-z0-9[\]_/:.+-]{1,35}$/.test(value);
}

/** All issues as one OperationOutcome; with several files, each issue begins with its file's name. */
export function toOneOutcome(files: readonly CheckedFile[], policyVersion: string): fhir4.OperationOutcome {
  const issue = files.flatMap(({ file, judged, unreadable }) =>
    [...(unreadable ? [unreadable.issue] : []), ...judged.flatMap(({ issues }) => issues)].map((one) =>
      files.length === 1 ? one : { ...one, diagnostics: `${file}: ${one.diagnostics ?? ''}` },
    ),
  );
  const nothing: fhir4.OperationOutcomeIssue = {
    severity: 'information',
    code: 'informational',
    diagnostics: 'There was nothing to judge.',
  };
  return {
    resourceType: 'OperationOutcome',
    extension: [{ url: OURS.policyVersionExtension, valueString: policyVersion }],
    issue: issue.length > 0 ? issue : [nothing],
  };
}

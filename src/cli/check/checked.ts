/**
 * What came of one text, as every form of report needs it: verdicts, and remarks with their places
 * in the file. Trees and texts are let go, so that a thousand files need no more room than what is
 * said about them. No names of people are kept.
 */
import { isLosslessNumber } from 'lossless-json';
import type * as fhir4 from 'fhir/r4.js';
import { toOperationOutcome } from '../../core/finding.ts';
import { isJsonObject, type JsonObject } from '../../core/json.ts';
import { placesIn, type Place } from '../../core/place-in-text.ts';
import { OURS } from '../../core/terminology.ts';
import { printable } from '../terminal.ts';
import { measureOf, typeOf } from './bundle-entries.ts';
import { shortRoot, type Judge, type Judged } from './judge.ts';
import type { ReadText, TextContent } from './read-texts.ts';
import { STANDARD_INPUT } from './sources.ts';

export interface CheckedText {
  /** `-` for standard input. */
  readonly file: string;
  /** The line of an NDJSON file that it stands on. */
  readonly line?: number;
  readonly readings: readonly CheckedReading[];
  /** Why nothing of it could be judged. */
  readonly unreadable?: { readonly problem: string; readonly remark: Remark };
}

export interface CheckedReading {
  /** `body weight 80.0 kg, 2026-03-02T08:05:00Z`, or the type of another resource. */
  readonly what: string;
  /** `entry[3]`, or nothing when it stands alone. */
  readonly entry: string;
  /** False for a Patient or Device that came along, and for what is not judged. */
  readonly isReading: boolean;
  readonly verdict: Judged['verdict'];
  readonly bmi?: NonNullable<Judged['bmi']>;
  readonly remarks: readonly Remark[];
  /** Where the resource begins. */
  readonly at: PlaceInFile;
}

export type PlaceInFile = Pick<Place, 'line' | 'column' | 'endLine' | 'endColumn' | 'isElement'>;

export interface Remark {
  /** As it stands in the OperationOutcome of `--format json`. */
  readonly issue: fhir4.OperationOutcomeIssue;
  /** Absent when no rule speaks of it. */
  readonly rule?: string;
  readonly title: string;
  readonly source?: string;
  /** What is the matter, and what to do about it. */
  readonly fact: string;
  readonly remedy: string;
  /** Absent when the place is not known, as in a file that cannot be read. */
  readonly at?: PlaceInFile;
}

/** Judges one text. */
export async function checkText(file: string, { content, line }: ReadText, judge: Judge): Promise<CheckedText> {
  const where = { file, ...(line !== undefined && { line }) };
  if (content.kind === 'unreadable')
    return { ...where, readings: [], unreadable: { problem: content.problem, remark: whyUnread(content) } };
  const judged = await judge.judge(content.type, content.resource, nameOf(where));
  const placeOf = placesInFile(content.text, line ?? 1);
  return { ...where, readings: judged.map((one) => toReading(one, placeOf)) };
}

/** `ward.json`, `day.ndjson:12`, `standard input`: fit to be printed. */
export function nameOf({ file, line }: Pick<CheckedText, 'file' | 'line'>): string {
  return `${fileName(file)}${line === undefined ? '' : `:${line}`}`;
}

export function fileName(file: string): string {
  return file === STANDARD_INPUT ? 'standard input' : printable(file);
}

/** The text is read for places once, and only when something of it has one to be shown. */
function placesInFile(text: string, firstLine: number): (expression: string) => PlaceInFile {
  const find = placesIn(text);
  return (expression) => {
    const { line, column, endLine, endColumn, isElement } = find(expression);
    return { line: line + firstLine - 1, column, endLine: endLine + firstLine - 1, endColumn, isElement };
  };
}

function toReading({ root, resource, verdict, issues, bmi }: Judged, placeOf: (expression: string) => PlaceInFile): CheckedReading {
  return {
    what: describe(resource),
    entry: shortRoot(root),
    isReading: typeOf(resource) === 'Observation' || root === 'Bundle',
    verdict,
    ...(bmi && { bmi }),
    remarks: issues.map((issue) => toRemark(issue, placeOf(issue.expression?.[0] ?? root))),
    at: placeOf(root),
  };
}

function toRemark(issue: fhir4.OperationOutcomeIssue, at?: PlaceInFile): Remark {
  const { details, diagnostics = '', extension = [] } = issue;
  const rule = details?.coding?.find(({ system }) => system === OURS.ruleSystem)?.code;
  const source = extension.find(({ url }) => url === OURS.ruleSourceExtension)?.valueString;
  return {
    issue,
    title: details?.text ?? '',
    ...factAndRemedy(diagnostics),
    ...(rule !== undefined && { rule }),
    ...(source !== undefined && { source }),
    ...(at && { at }),
  };
}

/** A rule says a fact in a sentence and then, in one or more, what to do about it. */
export function factAndRemedy(sentences: string): { readonly fact: string; readonly remedy: string } {
  const [fact = '', ...remedy] = sentences.split(/(?<=\.) (?=[A-Z])/);
  return { fact, remedy: remedy.join(' ') };
}

function whyUnread({ problem, finding, at }: Extract<TextContent, { kind: 'unreadable' }>): Remark {
  const [issue] = finding ? toOperationOutcome([finding]).issue : [];
  const fallback: fhir4.OperationOutcomeIssue = {
    severity: 'fatal',
    code: 'structure',
    diagnostics: `The file was not judged: ${problem}.`,
  };
  return toRemark(issue ?? fallback, at && { ...at, endLine: at.line, endColumn: at.column, isElement: true });
}

/** What is measured, never who. */
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

/**
 * What a sender is answered: MSH, MSA, and an ERR for each thing there is to say (HL7 v2.5.1
 * chapter 2, sections 2.9, 2.15.5 ERR and 2.15.8 MSA).
 */
import { withoutTrailing } from '../trailing.ts';
import type { Condition } from './v2-codes.ts';
import type { Place } from './v2-fault.ts';
import { escaped, type Segment } from './v2-message.ts';

/** How it ended: taken, at fault, or not even a message to be looked at. */
export type Ending = 'accept' | 'error' | 'reject';

export interface Remark {
  readonly severity: 'E' | 'W' | 'I';
  readonly condition: Condition;
  /** Id in our CodeSystem of rules, and its title. */
  readonly rule?: { readonly id: string; readonly title: string };
  /** Sentences for people. */
  readonly text: string;
  /** FHIRPath of the element that it is about, for who maintains the interface. */
  readonly expression?: string;
  readonly place?: Place;
}

export interface AnswerParts {
  /** MSH of the message; absent when it could not be read. */
  readonly header?: Segment;
  readonly ending: Ending;
  readonly remarks: readonly Remark[];
  /** For MSH-10: unique, at most 20 characters. */
  readonly controlId: string;
  readonly nowMs: number;
  /** Name of the character set for MSH-18. */
  readonly charset: string;
}

const SENDER = 'STEELYARD';
const CODING_SYSTEM = '99STEELYARD';
/** ERR-2 to ERR-8 are there from 2.5 on; before, one ERR-1 says place and code. */
const FIRST_WITH_LONG_ERR = 2.5;
/** More of them help nobody. */
const MOST_REMARKS = 200;

export type AnswerCode = 'AA' | 'AE' | 'AR' | 'CA' | 'CE' | 'CR';

/**
 * Which answer is wanted. Without MSH-15 and MSH-16 the original mode: an application
 * acknowledgement, always. In enhanced mode one answer only, since both would come over this one
 * connection at this one moment, after the commit: the application acknowledgement where MSH-16
 * wants one, else the accept acknowledgement that MSH-15 wants (table 0155: always, never, only on
 * error or reject, only on success). Undefined: none is wanted.
 */
export function answerCode(header: Segment | undefined, ending: Ending): AnswerCode | undefined {
  const [accept, application] = header ? [header.text(15), header.text(16)] : ['', ''];
  const letter = ({ accept: 'A', error: 'E', reject: 'R' } as const)[ending];
  if (accept === '' && application === '') return `A${letter}`;
  if (application !== '' && application !== 'NE') return isWanted(application, ending) ? `A${letter}` : undefined;
  return accept !== '' && isWanted(accept, ending) ? `C${letter}` : undefined;
}

/** An unknown word is taken for "always": silence would leave its sender waiting. */
function isWanted(condition: string, ending: Ending): boolean {
  if (condition === 'NE') return false;
  if (condition === 'ER') return ending !== 'accept';
  if (condition === 'SU') return ending === 'accept';
  return true;
}

/** Text of the answer; segments end with CR. */
export function toAcknowledgement(code: AnswerCode, { header, remarks, controlId, nowMs, charset }: AnswerParts): string {
  const version = header?.text(12) || '2.5.1';
  const isLong = Number.parseFloat(version) >= FIRST_WITH_LONG_ERR;
  const said = remarks.slice(0, MOST_REMARKS);
  const first = said[0]?.text;
  const lines = [
    [
      'MSH',
      '^~\\&',
      hd(header, 5) || SENDER,
      hd(header, 6),
      hd(header, 3),
      hd(header, 4),
      timestamp(nowMs),
      '',
      `ACK^${escaped(header?.text(9, 2) || 'R01')}^ACK`,
      controlId,
      escaped(header?.text(11) || 'P'),
      escaped(version),
      '',
      '',
      '',
      '',
      '',
      charset,
    ],
    // MSA-3 is text for people in the versions whose ERR has none
    ['MSA', code, escaped(header?.text(10) ?? ''), ...(isLong || first === undefined ? [] : [escaped(first)])],
    ...said.map((remark) => err(remark, isLong)),
  ];
  return lines.map((fields) => `${withoutTrailing(fields.join('|'), '|')}\r`).join('');
}

/** Both parties changed places: HD with its three components. */
function hd(header: Segment | undefined, field: number): string {
  if (header === undefined) return '';
  const components = [1, 2, 3].map((component) => escaped(header.text(field, component)));
  return withoutTrailing(components.join('^'), '^');
}

function err({ severity, condition, rule, text, expression, place }: Remark, isLong: boolean): string[] {
  const coded = `${condition.code}^${condition.text}^HL70357`;
  // ELD: segment, sequence, field, code
  const short = [place?.segment ?? '', String(place?.sequence ?? ''), String(place?.field ?? ''), coded.replaceAll('^', '&')].join('^');
  return [
    'ERR',
    isLong ? '' : short,
    place ? [place.segment, place.sequence, place.field, '1', place.component].slice(0, lengthOf(place)).join('^') : '',
    coded,
    severity,
    rule ? `${escaped(rule.id)}^${escaped(rule.title)}^${CODING_SYSTEM}` : '',
    '',
    escaped(expression ?? ''),
    escaped(text),
  ];
}

/** ERL: segment, sequence, field, repetition, component, as far as it is known. */
function lengthOf({ field, component }: Place): number {
  return field === undefined ? 2 : component === undefined ? 3 : 5;
}

/** In UTC, as DTM. */
function timestamp(nowMs: number): string {
  return `${new Date(nowMs).toISOString().replace(/[-:T]/g, '').slice(0, 14)}+0000`;
}

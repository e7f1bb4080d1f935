/**
 * What an EHR's answer means for the item that was sent: one table, no state, no clock.
 *
 * Outages never give an item up; only an answer that this very content will always get does.
 */
import type { EhrCopy } from '../ports.ts';
import type { CopyElement } from './copy-differences.ts';
import type { EhrReply } from './ehr-client.ts';
import { issueCodesOf, pointsIntoBundle, readResource } from './issue-types.ts';
import type { OutgoingEntry } from './outgoing-bundle.ts';
import { readTransactionAnswer } from './transaction-answer.ts';

export type SetbackKind =
  /** Never left this machine: send again later. */
  | 'unsent'
  /** May have been applied: look up by identifier before sending again. */
  | 'unclear'
  /** The EHR asks for patience: wait as long as it says. */
  | 'transient'
  /** Somebody else changes the same: look up, then send again, a few times. */
  | 'conflict'
  /** The way to the EHR is wrong (address, rights): every item would get this answer. */
  | 'destination'
  /** This content will always be refused: park it. */
  | 'permanent';

/** Why an item is not at the EHR yet. Holds no patient data. */
export interface Setback {
  readonly kind: SetbackKind;
  readonly reason: string;
  readonly status?: number;
  readonly issueCodes?: readonly string[];
  /** The header as the EHR wrote it. */
  readonly retryAfter?: string;
}

/** The EHR has it. `altered`: what it keeps otherwise than it was sent, which somebody must look at. */
export interface Sent {
  readonly kind: 'sent';
  readonly copies: readonly EhrCopy[];
  readonly altered?: readonly CopyElement[];
}

/** The claim was over, or would have been before an answer came, or the EHR asked for a pause: nothing was sent. */
export interface LetGo {
  readonly kind: 'let-go';
}

export type Outcome = Sent | Setback | LetGo;

interface StatusRow {
  readonly statuses: readonly number[];
  readonly kind: SetbackKind;
  readonly says: string;
}

/** Meanings: FHIR R4, RESTful API, and RFC 9110 section 15 (also 6585, 8470 for 429, 425). */
export const STATUS_TABLE: readonly StatusRow[] = [
  { statuses: [408, 425, 429, 503], kind: 'transient', says: 'the EHR asks to be tried later' },
  { statuses: [409, 412], kind: 'conflict', says: 'the EHR sees a conflict' },
  { statuses: [401, 403], kind: 'destination', says: 'the EHR does not let us in' },
  { statuses: [404, 405, 406, 407, 421, 426, 501, 505], kind: 'destination', says: 'the EHR address does not take transactions' },
  {
    statuses: [300, 301, 302, 303, 304, 305, 306, 307, 308],
    kind: 'destination',
    says: 'the EHR address redirects, which is never followed',
  },
  { statuses: [400, 410, 413, 415, 422], kind: 'permanent', says: 'the EHR refuses the content' },
];

/**
 * The class of a status that is not a success. Unlisted ones are read as the first of their
 * hundred (RFC 9110 section 15): a 4xx as 400, all else as a failure that may have been applied.
 */
export function classifyStatus(status: number): Omit<StatusRow, 'statuses'> {
  const row = STATUS_TABLE.find(({ statuses }) => statuses.includes(status));
  if (row !== undefined) return row;
  if (status >= 400 && status < 500) return { kind: 'permanent', says: 'the EHR refuses the content' };
  if (status >= 300 && status < 400) return { kind: 'destination', says: 'the EHR address redirects, which is never followed' };
  return { kind: 'unclear', says: 'the EHR failed and may have applied it' };
}

/** Judges the answer to a transaction of `entries`. */
export function classify(reply: EhrReply, entries: readonly OutgoingEntry[]): Sent | Setback {
  if (reply.kind === 'answer' && isSuccess(reply.status)) {
    const answer = readTransactionAnswer(reply.text, entries);
    return answer.proven ? sentAs(answer.copies, answer.altered) : { kind: 'unclear', reason: answer.reason, status: reply.status };
  }
  return setbackOf(reply);
}

export function sentAs(copies: readonly EhrCopy[], altered: readonly CopyElement[]): Sent {
  return { kind: 'sent', copies, ...(altered.length > 0 && { altered: [...new Set(altered)] }) };
}

/** Judges an answer that is not a success, to whatever call. */
export function setbackOf(reply: EhrReply): Setback {
  if (reply.kind === 'unsent') return { kind: 'unsent', reason: `the EHR was not reached (${reply.cause})` };
  if (reply.kind === 'unclear') return { kind: 'unclear', reason: `no answer came back (${reply.cause})` };
  const { status, retryAfter } = reply;
  const outcome = readResource(reply.text);
  const issueCodes = issueCodesOf(outcome);
  // A 404 that points into our Bundle is about something we refer to; a bare one is about the address.
  const isAboutContent = status === 404 && pointsIntoBundle(outcome);
  const { kind, says } = isAboutContent ? classifyStatus(422) : classifyStatus(status);
  return {
    kind,
    reason: `${says} (status ${status}${issueCodes.length === 0 ? '' : `, issues ${issueCodes.join(' ')}`})`,
    status,
    ...(issueCodes.length === 0 ? {} : { issueCodes }),
    ...(retryAfter === undefined ? {} : { retryAfter }),
  };
}

export function isSuccess(status: number): boolean {
  return status >= 200 && status < 300;
}

/**
 * What forwarding tells the outside: a log of allow-listed fields, and counters for metrics.
 */
import type { OutboxItem } from '../ports.ts';
import type { BreakerState } from './breaker.ts';
import type { SetbackKind } from './classify.ts';
import type { CopyElement } from './copy-differences.ts';

/** All that forwarding ever logs. No patient data, no URL, no text of the EHR's. */
export interface ForwardLogFields {
  readonly item?: number;
  /** Number of a subscription. */
  readonly subscription?: number;
  /** Of the call that the item comes from. */
  readonly requestId?: string;
  readonly tries?: number;
  readonly status?: number;
  readonly issueCodes?: readonly string[];
  readonly kind?: SetbackKind;
  /** Names of what the EHR keeps otherwise than it was sent; never values. */
  readonly elements?: readonly CopyElement[];
  /** Name or code of an error of ours. */
  readonly error?: string;
}

/** A pino logger is one. */
export interface ForwardLog {
  debug(fields: ForwardLogFields, message: string): void;
  info(fields: ForwardLogFields, message: string): void;
  warn(fields: ForwardLogFields, message: string): void;
  error(fields: ForwardLogFields, message: string): void;
}

/** What came of reading a copy at the EHR; `unread` when that could not be done, or said nothing. */
export type ReadBackResult = 'same' | 'differs' | 'unread';

/** Called after the outbox row says so. Must not throw. */
export interface ForwardEvents {
  sent?(item: OutboxItem): void;
  postponed?(item: OutboxItem, kind: SetbackKind): void;
  parked?(item: OutboxItem): void;
  /** The EHR keeps something else than was sent; somebody must look at it. */
  altered?(item: OutboxItem, elements: readonly CopyElement[]): void;
  /** What came of an attempt after another worker had claimed the item. */
  late?(item: OutboxItem): void;
  /** Whether the EHR is called: `half-open` while a single item tries. */
  breaker?(state: BreakerState): void;
  readBack?(result: ReadBackResult): void;
}

/** The forms in which the judgement of files can be had. */
import type { Policy } from '../../core/policy.ts';
import type { Terminal } from '../terminal.ts';
import type { CheckedText } from './checked.ts';

/** Takes texts one by one, in order, and writes them down now or at the end. */
export interface Reporter {
  take(checked: CheckedText): void;
  end(): void;
}

export interface Reporting {
  /** Where lines go: standard output, or a file. */
  readonly write: (...lines: readonly string[]) => void;
  /** How lines may look there. */
  readonly look: Pick<Terminal, 'tint' | 'columns'>;
  readonly policy: Policy;
  /** As of when it is judged. */
  readonly nowMs: number;
}

export const FORMATS = ['text', 'json', 'junit', 'sarif'] as const;
export type Format = (typeof FORMATS)[number];

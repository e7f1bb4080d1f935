/** What letting somebody in to a page needs, and what comes of it. */
import type { Caller } from '../../caller.ts';
import type { Visitor } from '../../visitor.ts';
import type { Serving } from '../serving.ts';

export type Door = Pick<Serving, 'auth' | 'signIn' | 'audit' | 'log'>;

export interface Admission {
  readonly visitor: Visitor;
  /** Who it is to the use case and the audit. */
  readonly caller: Caller;
  /** From where forms are sent to these pages. */
  readonly origin: string;
}

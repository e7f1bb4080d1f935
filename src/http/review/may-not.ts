/** What whoever looks at a page may do on it. */
import type { ServiceError } from '../../errors.ts';
import { refusalOf, type Need } from '../auth/needs.ts';
import { notesOf } from '../request-notes.ts';
import type { Response } from '../serving.ts';
import { visitorOf } from './visitor.ts';

/** Why they may not; undefined when nothing is in the way, as where nobody signs in. */
export function mayNot(res: Response, need: Need): ServiceError | undefined {
  return visitorOf(res).isOpen ? undefined : refusalOf(need, notesOf(res).caller);
}

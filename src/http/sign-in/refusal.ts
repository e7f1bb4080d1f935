/** Turning somebody away from a page: in words, and with an audit event, which a storm of them cannot flood. */
import type { OwnEvent } from '../../core/audit/codes.ts';
import { outcomeOfStatus } from '../../core/audit/codes.ts';
import { notesOf } from '../request-notes.ts';
import type { Request, Response, Serving } from '../serving.ts';
import { sendPlainPage, type Onward } from './plain-page.ts';

export type Refusing = Pick<Serving, 'audit' | 'log'>;

export interface PageRefusal {
  readonly status: number;
  /** One word for the audit. */
  readonly reason: string;
  readonly title: string;
  readonly paragraphs: readonly string[];
  readonly onward?: Onward;
  readonly event?: OwnEvent;
  /** Who it was, as far as that is known. */
  readonly user?: { readonly client: string; readonly user: string };
}

export async function turnAway({ audit, log }: Refusing, req: Request, res: Response, refusal: PageRefusal): Promise<void> {
  const { status, reason, title, paragraphs, onward, event = 'access-refused', user } = refusal;
  const notes = notesOf(res);
  const caller = user ?? notes.caller;
  try {
    await audit.accessRefused(JSON.stringify([event, reason, caller.client ?? '', notes.route, status]), {
      event,
      outcome: outcomeOfStatus(status),
      outcomeText: `HTTP ${status}`,
      caller,
      requestId: notes.requestId,
      details: [
        ['route', `${req.method === 'POST' ? 'POST' : 'GET'} ${notes.route}`],
        ['reason', reason],
      ],
    });
  } catch (error) {
    // whoever is turned away is turned away all the same
    log.fault(error, { requestId: notes.requestId, during: 'audit' });
  }
  sendPlainPage(res, status, title, paragraphs, onward);
}

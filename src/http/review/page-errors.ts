/**
 * Errors of pages for people: a browser shows what it is sent, so whoever looks at a page is told of a
 * problem in words, also by whatever stands before the pages, such as the limits.
 */
import type { ServiceError } from '../../errors.ts';
import { sendOnceRecorded } from '../answer.ts';
import type { Response } from '../serving.ts';
import { sendPlainPage } from '../sign-in/plain-page.ts';

/** @param onward address of the pages that the request was for */
export function sendPageError(res: Response, { row, message }: ServiceError, onward: string): void {
  const { status, title, retryAfter } = row;
  if (retryAfter !== undefined && !res.hasHeader('Retry-After')) res.set('Retry-After', String(retryAfter));
  sendOnceRecorded(res, { status }, () => sendPlainPage(res, status, title, [message], { href: onward, text: 'Go on' }));
}

/** What has to be done before an answer leaves: once, for the first answer of a request. */
import type { ServiceError } from '../errors.ts';
import type { Response } from './serving.ts';

/** Resolves to what is answered instead, when it could not be done. Undefined at once: nothing is to be done. */
export type BeforeAnswer = (answer: { readonly status: number; readonly text?: string }) => Promise<ServiceError | undefined> | undefined;

const WAITING = new WeakMap<Response, BeforeAnswer>();

export function beforeAnswer(res: Response, act: BeforeAnswer): void {
  WAITING.set(res, act);
}

/** Takes it away, so that what is answered instead does not wait for it again. */
export function takeBeforeAnswer(res: Response): BeforeAnswer | undefined {
  const act = WAITING.get(res);
  WAITING.delete(res);
  return act;
}

/**
 * Makes a storm of answers 401 cheap: a credential that was refused again and again is no longer
 * verified, nor audited, but answered 429. Counted are the answers themselves, so nothing has to
 * be told by whoever verifies tokens; this middleware stands before that one.
 *
 * The gateways of a hospital share one address, and one with an expired token must not shut the
 * others out: what is limited tightly is a credential at an address, and a credential whose last
 * answer was not 401 is looked at even when its address has failed too often.
 */
import { createHash } from 'node:crypto';
import { ServiceError } from '../errors.ts';
import type { Clock } from '../ports.ts';
import type { Limits } from './limits.ts';
import { addressOf, WINDOW_MS } from './rate-limit.ts';
import { notesOf } from './request-notes.ts';
import type { Request, RequestHandler } from './serving.ts';
import { MOST_KEYS, WindowCounts } from './window-counts.ts';

type FailureLimits = Pick<Limits, 'failedLoginsPerCredential' | 'failedLoginsPerAddress'>;

/** Middleware before the one that verifies tokens. Refuses with ERR_TOO_MANY. */
export function limitFailedLogins({ failedLoginsPerCredential, failedLoginsPerAddress }: FailureLimits, clock?: Clock): RequestHandler {
  const options = { windowMs: WINDOW_MS, ...(clock && { clock }) };
  const ofCredentials = new WindowCounts(options);
  const ofAddresses = new WindowCounts(options);
  const accepted = new NewestOnly(MOST_KEYS);
  const nowMs = (): number => clock?.nowMs() ?? Date.now();

  return (req, res, next) => {
    const address = addressOf(req);
    const credential = digestOf(req);
    const here = `${address} ${credential}`;
    if (!accepted.has(credential)) {
      const [one, all] = [ofCredentials.get(here), ofAddresses.get(address)];
      const storm =
        one && one.totalHits >= failedLoginsPerCredential ? one : all && all.totalHits >= failedLoginsPerAddress ? all : undefined;
      if (storm) {
        const seconds = Math.ceil((storm.resetTime.getTime() - nowMs()) / 1000);
        res.set('Retry-After', String(Math.max(1, seconds)));
        throw new ServiceError('ERR_TOO_MANY', 'Too many logins have failed from here. Get a valid token, and send again later.');
      }
    }
    res.once('finish', () => {
      if (res.statusCode === 401) {
        accepted.delete(credential);
        ofCredentials.increment(here);
        ofAddresses.increment(address);
      } else if (notesOf(res).caller.client !== undefined) accepted.add(credential);
    });
    next();
  };
}

/** Stands for what was shown, which is a secret and not kept. */
function digestOf(req: Request): string {
  const shown = req.get('authorization');
  return shown === undefined ? 'none' : createHash('sha256').update(shown).digest('base64');
}

/** A set that forgets what was added first when it is full. */
class NewestOnly {
  readonly #members = new Set<string>();
  readonly #most: number;

  constructor(most: number) {
    this.#most = most;
  }

  has(member: string): boolean {
    return this.#members.has(member);
  }

  add(member: string): void {
    this.#members.delete(member);
    this.#members.add(member);
    const [oldest] = this.#members;
    if (this.#members.size > this.#most && oldest !== undefined) this.#members.delete(oldest);
  }

  delete(member: string): void {
    this.#members.delete(member);
  }
}

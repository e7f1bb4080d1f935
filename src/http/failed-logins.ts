/**
 * Makes a storm of answers 401 cheap: a credential that was refused again and again is no longer
 * verified but answered 429. Counted are the answers themselves; this middleware stands before the
 * one that verifies tokens, and tells it what it found.
 *
 * The gateways of a hospital share one address, and whoever sends bad tokens from there must not
 * shut the others out, not even one whose token is a minute old: what is no longer looked at is a
 * credential, never an address. Of an address with too many failures only those that fail are told
 * to come back later. What needs no token is served in any case.
 */
import { createHash } from 'node:crypto';
import { ServiceError } from '../errors.ts';
import type { Clock } from '../ports.ts';
import type { Limits } from './limits.ts';
import { addressOf, WINDOW_MS } from './rate-limit.ts';
import type { Request, RequestHandler, Response } from './serving.ts';
import { WindowCounts } from './window-counts.ts';

type FailureLimits = Pick<Limits, 'failedLoginsPerCredential' | 'failedLoginsPerAddress'>;

/** Too many logins have failed: what that means for this request. */
interface Storm {
  /** False when this very credential failed so often that it is not verified any more. */
  readonly isLookedAt: boolean;
  readonly secondsLeft: number;
}

const STORMS = new WeakMap<Response, Storm>();

/** Undefined while few logins fail. */
export function stormAround(res: Response): Storm | undefined {
  return STORMS.get(res);
}

/** In place of ERR_UNAUTHENTICATED for a login that fails in a storm; says when it is worth to try again. */
export function tooManyFailures(res: Response, { secondsLeft }: Storm): ServiceError {
  res.set('Retry-After', String(secondsLeft));
  return new ServiceError('ERR_TOO_MANY', 'Too many logins have failed from here. Get a valid token, and send again later.');
}

/** Middleware before the one that verifies tokens. */
export function limitFailedLogins({ failedLoginsPerCredential, failedLoginsPerAddress }: FailureLimits, clock?: Clock): RequestHandler {
  const options = { windowMs: WINDOW_MS, ...(clock && { clock }) };
  const ofCredentials = new WindowCounts(options);
  const ofAddresses = new WindowCounts(options);
  const nowMs = (): number => clock?.nowMs() ?? Date.now();
  const secondsTo = (instant: Date): number => Math.max(1, Math.ceil((instant.getTime() - nowMs()) / 1000));

  return (req, res, next) => {
    const address = addressOf(req);
    const here = `${address} ${digestOf(req)}`;
    // a count that a credential shares with others says nothing of it
    const [one, all] = [ofCredentials.own(here), ofAddresses.get(address)];
    if (one && one.totalHits >= failedLoginsPerCredential) STORMS.set(res, { isLookedAt: false, secondsLeft: secondsTo(one.resetTime) });
    else if (all && all.totalHits >= failedLoginsPerAddress) STORMS.set(res, { isLookedAt: true, secondsLeft: secondsTo(all.resetTime) });
    res.once('finish', () => {
      if (res.statusCode !== 401) return;
      ofCredentials.increment(here);
      ofAddresses.increment(address);
    });
    next();
  };
}

/** Stands for what was shown, which is a secret and not kept. */
function digestOf(req: Request): string {
  const shown = req.get('authorization');
  return shown === undefined ? 'none' : createHash('sha256').update(shown).digest('base64');
}

/**
 * How many requests one client may make in a minute: the authenticated client, or else the
 * address that the connection comes from. What a request says of its own origin
 * (`X-Forwarded-For`) counts for nothing. Each process counts alone.
 *
 * Fixed windows of a minute: over the border of two of them a client may have twice its limit in
 * a short while. That is borne by `client-lanes.ts` and `load-shedding.ts`.
 */
import { ipKeyGenerator, rateLimit } from 'express-rate-limit';
import { ServiceError } from '../errors.ts';
import type { Limits } from './limits.ts';
import { notesOf } from './request-notes.ts';
import type { Request, RequestHandler, Response } from './serving.ts';
import { WindowCounts } from './window-counts.ts';

export const WINDOW_MS = 60_000;

const OF_CLIENT = 'client ';
const OF_VISITOR = 'visitor ';

/** Middleware behind the one that notes who calls. Refuses with ERR_TOO_MANY and says when the window ends. */
export function limitRate({ requestsPerMinute, limitOf }: Pick<Limits, 'requestsPerMinute' | 'limitOf'>): RequestHandler {
  return rateLimit({
    windowMs: WINDOW_MS,
    // clients are as many as hold a token, visitors as many as are signed in; addresses anybody can have
    store: new WindowCounts({ windowMs: WINDOW_MS, isKnown: (key) => key.startsWith(OF_CLIENT) || key.startsWith(OF_VISITOR) }),
    keyGenerator: (req, res) => keyOf(req, res),
    limit: (_req, res) => {
      const { client } = notesOf(res).caller;
      return (client === undefined ? undefined : limitOf?.(client)) ?? requestsPerMinute;
    },
    identifier: 'client',
    // Internet-Draft draft-ietf-httpapi-ratelimit-headers-08; RFC 6585 section 4 for 429 with Retry-After
    standardHeaders: 'draft-8',
    legacyHeaders: false,
    // the library's checks write to the console, which is the log; `addressOf` does what they ask for
    validate: false,
    handler: (_req, _res, next) =>
      next(
        new ServiceError(
          'ERR_TOO_MANY',
          'There were more requests in a minute than one client may make. Keep what was sent; send it later.',
        ),
      ),
  });
}

function keyOf(req: Request, res: Response): string {
  const { caller, visitor } = notesOf(res);
  const { client } = caller;
  if (visitor !== undefined) return `${OF_VISITOR}${visitor}`;
  return client === undefined ? `address ${addressOf(req)}` : `${OF_CLIENT}${client}`;
}

/** The address of the connection; of IPv6 the network of a subscriber, who may have any number of addresses in it. */
export function addressOf(req: Request): string {
  const { remoteAddress } = req.socket;
  return remoteAddress === undefined ? 'gone' : ipKeyGenerator(remoteAddress);
}

/**
 * Fairness between clients: of each only so many requests are worked on at one time, the others
 * wait in a lane of their own, in order. So one gateway with fifty times its share keeps itself
 * waiting, and nobody else.
 *
 * Only clients that showed a token can be told apart; without tokens there is one lane for all,
 * which would be none.
 */
import { AsyncResource } from 'node:async_hooks';
import { ServiceError } from '../errors.ts';
import type { Limits } from './limits.ts';
import { notesOf } from './request-notes.ts';
import type { RequestHandler } from './serving.ts';

interface Lane {
  atWork: number;
  readonly waiting: Set<() => void>;
}

type LaneLimits = Pick<Limits, 'mostAtWorkPerClient' | 'mostWaitingPerClient'>;

/** Middleware behind the one that notes who calls. Refuses with ERR_TOO_MANY what finds the lane full. */
export function keepLanes({ mostAtWorkPerClient, mostWaitingPerClient }: LaneLimits): RequestHandler {
  const lanes = new Map<string, Lane>();

  return (_req, res, next) => {
    const { caller, visitor } = notesOf(res);
    const client = visitor === undefined ? caller.client : `visitor ${visitor}`;
    if (client === undefined) {
      next();
      return;
    }
    const lane = lanes.get(client) ?? { atWork: 0, waiting: new Set() };
    lanes.set(client, lane);

    const leave = (): void => {
      lane.atWork -= 1;
      const [first] = lane.waiting;
      if (first) first();
      else if (lane.atWork === 0) lanes.delete(client);
    };
    // it may be called while another request ends, and must not go on as a part of that one
    const enter = AsyncResource.bind((): void => {
      lane.waiting.delete(enter);
      res.off('close', giveUp);
      lane.atWork += 1;
      res.once('close', leave);
      next();
    });
    const giveUp = (): void => void lane.waiting.delete(enter);

    if (lane.atWork < mostAtWorkPerClient) enter();
    else if (lane.waiting.size < mostWaitingPerClient) {
      lane.waiting.add(enter);
      res.once('close', giveUp);
    } else {
      res.set('Retry-After', '1');
      throw new ServiceError('ERR_TOO_MANY', 'There are too many requests of one client at one time. Wait for answers, then send again.');
    }
  };
}

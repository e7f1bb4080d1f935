/** The door while nobody signs in (`STEELYARD_AUTH=none`): open to every browser of this machine, and to no site in it. */
import { randomBytes } from 'node:crypto';
import { ANYBODY } from '../../caller.ts';
import type { Request, Response } from '../serving.ts';
import { giveOpenId, openIdIn } from './cookies.ts';
import type { Admission } from './door.ts';
import { tokenOfOpen } from './form-check.ts';
import { openOriginOf } from './open-host.ts';
import { turnAway, type Refusing } from './refusal.ts';

/** Undefined once the request is answered. */
export async function letInOpen(refusing: Refusing, req: Request, res: Response): Promise<Admission | undefined> {
  const origin = openOriginOf(req);
  if (origin === undefined) {
    await turnAway(refusing, req, res, {
      status: 403,
      reason: 'host',
      title: 'Not under this name',
      paragraphs: [
        'While nobody signs in (STEELYARD_AUTH=none), the pages are shown only under localhost, 127.0.0.1 or [::1], with the port that the service listens on: another name could be that of any site.',
      ],
    });
    return undefined;
  }
  const known = openIdIn(req);
  const id = known ?? randomBytes(32).toString('base64url');
  if (known === undefined) giveOpenId(res, id);
  return { visitor: { roles: new Set(['reviewer', 'engineer']), formToken: tokenOfOpen(id), isOpen: true }, caller: ANYBODY, origin };
}

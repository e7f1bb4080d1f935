/**
 * A door before a stand-in EHR: lets through what bears a token of the authorization server, and
 * answers 401 to all else.
 */
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { closed, listening, type AuthorizationServer } from './authorization-server.ts';

export interface GuardedEhr {
  /** FHIR base. */
  readonly url: string;
  /** What each call answered, in order of arrival. */
  readonly statuses: readonly number[];
  /** The next so many calls are answered 401 whatever they bear. */
  refuseNext(count: number): void;
  close(): Promise<void>;
}

/** @param inside FHIR base of the EHR behind the door */
export async function startGuardedEhr(authorizationServer: AuthorizationServer, inside: string): Promise<GuardedEhr> {
  const statuses: number[] = [];
  let refusals = 0;
  const server = createServer((request, response) => {
    const chunks: Buffer[] = [];
    request.on('data', (chunk: Buffer) => chunks.push(chunk));
    request.on('end', () => void serve(Buffer.concat(chunks)));
    const serve = async (body: Buffer): Promise<void> => {
      const isRefused = refusals > 0;
      if (isRefused) refusals -= 1;
      if (isRefused || !(await authorizationServer.knows(request.headers.authorization))) {
        statuses.push(401);
        response.writeHead(401, { 'www-authenticate': 'Bearer error="invalid_token", authorization_uri="http://127.0.0.1:9/"' }).end();
        return;
      }
      const answer = await fetch(`${inside}${(request.url ?? '').slice('/fhir'.length)}`, {
        method: request.method ?? 'GET',
        headers: Object.entries(request.headers).filter(
          (entry): entry is [string, string] => ['content-type', 'accept', 'prefer'].includes(entry[0]) && typeof entry[1] === 'string',
        ),
        ...(body.length > 0 && { body }),
      });
      statuses.push(answer.status);
      response.writeHead(answer.status, { 'content-type': 'application/fhir+json' }).end(await answer.text());
    };
  });
  await listening(server);
  return {
    url: `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`,
    statuses,
    refuseNext: (count) => (refusals = count),
    close: () => closed(server),
  };
}

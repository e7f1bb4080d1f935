/**
 * A small app with the limits under test and the real notes, errors and answers around them; whose
 * client says who it is in a header, in place of a token.
 */
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import express from 'express';
import { ServiceError } from '../../src/errors.ts';
import { answerErrors } from '../../src/http/error-handler.ts';
import { keepNotes, notesOf } from '../../src/http/request-notes.ts';
import type { Handler, RequestHandler } from '../../src/http/serving.ts';
import { createLog } from '../../src/log.ts';
import { closeAfterTest } from '../closing.ts';
import { send, type Answer } from './edge.ts';

export interface ClientsApp {
  /** A request of a client; of nobody when it has no name. */
  call(client?: string, headers?: Readonly<Record<string, string>>): Promise<Answer>;
  readonly logLines: readonly string[];
}

/** Notes the client, as whoever verifies tokens will. */
export const nameClient: RequestHandler = (req, res, next) => {
  const [, client] = /^Bearer (.+)$/.exec(req.get('authorization') ?? '') ?? [];
  if (client !== undefined) notesOf(res).caller = { client };
  next();
};

export async function startClientsApp(
  before: readonly RequestHandler[],
  handle: Handler = (_req, res) => void res.end(),
): Promise<ClientsApp> {
  const logLines: string[] = [];
  const log = createLog('info', { write: (line: string) => void logLines.push(line) });
  const app = express();
  app.use(keepNotes({ log, metrics: { request: () => undefined } as never, isStopping: () => false }), ...before);
  app.use(handle);
  app.use(() => {
    throw new ServiceError('ERR_UNKNOWN_TYPE', 'Nothing is here.');
  });
  app.use(answerErrors({ log }));
  const server = app.listen(0, '127.0.0.1');
  await once(server, 'listening');
  closeAfterTest(() => {
    server.close();
    server.closeAllConnections();
  });
  const { port } = server.address() as AddressInfo;
  return {
    logLines,
    call: (client, headers = {}) =>
      send(port, 'GET', '/', { headers: { ...(client !== undefined && { Authorization: `Bearer ${client}` }), ...headers } }),
  };
}

/** A sender of HL7 v2 over MLLP, of its own making, so that the service is not tested with its own codec. */
import { once } from 'node:events';
import { connect, type Socket } from 'node:net';

const [VT, FS, CR] = [0x0b, 0x1c, 0x0d];

export interface Client {
  readonly socket: Socket;
  /** Sends one message and waits for the answer, which is given without its block. */
  ask(message: string | Buffer): Promise<string>;
  /** Sends bytes as they are. */
  write(bytes: Buffer): void;
  /** The next answer. */
  next(): Promise<string>;
  /** Resolves when the service has closed, with what was not asked for until then. */
  closed(): Promise<readonly string[]>;
}

export async function openClient(port: number): Promise<Client> {
  const socket = connect({ port, host: '127.0.0.1', allowHalfOpen: false });
  await once(socket, 'connect');
  return clientOn(socket);
}

export function clientOn(socket: Socket): Client {
  let received = Buffer.alloc(0);
  const answers: string[] = [];
  const waiting: ((answer: string | Error) => void)[] = [];
  const hasClosed = once(socket, 'close').catch(() => undefined);
  socket.on('error', () => undefined);
  socket.on('data', (chunk: Buffer) => {
    received = Buffer.concat([received, chunk]);
    for (let end = received.indexOf(FS); end >= 0; end = received.indexOf(FS)) {
      answers.push(received.subarray(1, end).toString('utf8'));
      received = received.subarray(end + 2);
    }
    while (answers.length > 0 && waiting.length > 0) waiting.shift()?.(answers.shift() as string);
  });
  socket.once('close', () => {
    for (const wait of waiting.splice(0)) wait(new Error('the connection was closed without an answer'));
  });
  const next = (): Promise<string> =>
    new Promise((resolve, reject) => {
      const answer = answers.shift();
      if (answer !== undefined) resolve(answer);
      else if (socket.destroyed) reject(new Error('the connection is closed'));
      else waiting.push((given) => (given instanceof Error ? reject(given) : resolve(given)));
    });
  return {
    socket,
    ask: (message) => {
      socket.write(block(message));
      return next();
    },
    write: (bytes) => void socket.write(bytes),
    next,
    closed: async () => {
      await hasClosed;
      return answers;
    },
  };
}

export function block(message: string | Buffer): Buffer {
  return Buffer.concat([Buffer.of(VT), Buffer.from(message), Buffer.of(FS, CR)]);
}

/** Fields of the first segment of a name; the first of them is its name. */
export function segment(message: string, name: string): string[] {
  return segments(message, name)[0] ?? [];
}

export function segments(message: string, name: string): string[][] {
  return message
    .split('\r')
    .filter((line) => line.startsWith(name))
    .map((line) => line.split('|'));
}

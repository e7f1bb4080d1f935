/** Bytes on a bare socket, for what no HTTP library would send. */
import { once } from 'node:events';
import { connect } from 'node:net';

/** Writes `text` (latin1) and gives what comes back until the other side closes the connection. */
export async function raw(port: number, text: string): Promise<string> {
  const socket = connect(port, '127.0.0.1');
  const chunks: Buffer[] = [];
  socket.on('data', (chunk: Buffer) => chunks.push(chunk));
  socket.on('error', () => undefined);
  socket.write(Buffer.from(text, 'latin1'));
  await once(socket, 'close');
  return Buffer.concat(chunks).toString('utf8');
}

/** The status codes of all answers in `text`, in order. */
export function statusesIn(text: string): number[] {
  return [...text.matchAll(/HTTP\/1\.1 (\d{3})/g)].map(([, status]) => Number(status));
}

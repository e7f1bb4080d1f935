/**
 * Runs the stand-in EHR from a terminal: `tsx examples/receiver/main.ts [port]`, or the port from
 * the environment variable PORT, else a free one; on loopback, or the address in HOST. Prints one JSON line when it listens.
 */
import { startReceiver } from './receiver.ts';

const text = process.argv[2] ?? process.env['PORT'] ?? '0';
const port = Number(text);
if (!/^\d+$/.test(text) || port > 65_535) {
  process.stderr.write('the port must be a whole number from 0 to 65535\n');
  process.exit(2);
}

// in a container, loopback is the container's own
const host = process.env['HOST'] ?? '127.0.0.1';
const receiver = await startReceiver({ port, host });
process.stdout.write(`${JSON.stringify({ msg: 'listening', url: receiver.url })}\n`);
for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => void receiver.close());

/** Connections: hostile and unlucky ones, many of them, and the end of all. */
import { once } from 'node:events';
import { afterEach, describe, expect, test } from 'vitest';
import { message, WEIGHT } from './messages.ts';
import { block, openClient, segment } from './mllp-client.ts';
import { counted, startReceiving, type Receiving, type ReceivingParts } from './receiving.ts';
import type { Store } from '../../src/ports.ts';

const open: Receiving[] = [];
afterEach(async () => {
  for (const one of open.splice(0)) await one.close();
});
async function receiving(parts: ReceivingParts = {}): Promise<Receiving> {
  const started = await startReceiving(parts);
  open.push(started);
  return started;
}
const said = (answer: string): string => segment(answer, 'MSA').slice(1, 3).join(' ');
const withId = (id: string): string => message({ header: { 10: id } });
const until = async (isSo: () => boolean | Promise<boolean>): Promise<void> => {
  while (!(await isSo())) await new Promise((resolve) => setImmediate(resolve));
};

describe('a connection', () => {
  test('answers messages that came in one packet one after the other', async () => {
    const { server } = await receiving();
    const client = await openClient(server.port);
    client.write(Buffer.concat(['1', '2', '3'].map((id) => block(withId(id)))));
    expect([said(await client.next()), said(await client.next()), said(await client.next())]).toEqual(['AA 1', 'AA 2', 'AA 3']);
  });

  test('takes a message byte by byte, with a letter cut in two', async () => {
    const { server, store } = await receiving();
    const client = await openClient(server.port);
    const bytes = block(message({ obx: [WEIGHT.replace('Body weight', 'Körpergewicht')] }));
    for (const byte of bytes) client.write(Buffer.of(byte));
    expect(said(await client.next())).toBe('AA C-1');
    const page = await store.read.searchObservations({ includeHeld: true, sort: [], count: 5 });
    expect(page.resources[0]?.text).toContain('"display":"Körpergewicht"');
  });

  test('without CR at its end is answered all the same', async () => {
    const { server } = await receiving({ limits: { longestReturnMs: 20 } });
    const client = await openClient(server.port);
    client.write(block(message()).subarray(0, -1));
    expect(said(await client.next())).toBe('AA C-1');
  });

  test('that is closed for sending still gets its answer', async () => {
    const { server } = await receiving();
    const client = await openClient(server.port);
    client.socket.end(block(message()));
    expect(said(await client.next())).toBe('AA C-1');
    await client.closed();
  });

  test('without CR, and closed for sending, is answered at once: no CR will come', async () => {
    const { server } = await receiving({ limits: { longestReturnMs: 3_600_000 } });
    const client = await openClient(server.port);
    client.socket.end(block(message()).subarray(0, -1));
    expect(said(await client.next())).toBe('AA C-1');
    await client.closed();
  });

  test('gives up half a message when another begins, and tells nobody of it', async () => {
    const { server, metrics } = await receiving();
    const client = await openClient(server.port);
    client.write(block(withId('half')).subarray(0, 200));
    expect(said(await client.ask(withId('2')))).toBe('AA 2');
    expect(await counted(metrics, 'steelyard_mllp_faults_total{reason="half"}')).toBe(1);
  });

  test('that ends in the middle of a message stores nothing, and is counted', async () => {
    const { server, store, metrics } = await receiving();
    const client = await openClient(server.port);
    client.socket.end(block(message()).subarray(0, 300));
    expect(await client.closed()).toEqual([]);
    expect(await counted(metrics, 'steelyard_mllp_faults_total{reason="half"}')).toBe(1);
    expect((await store.read.searchObservations({ includeHeld: true, sort: [], count: 5 })).resources).toEqual([]);
  });

  test('with a message that never ends is rejected at the limit and closed, however much comes', async () => {
    const { server, metrics } = await receiving({ limits: { mostBytes: 64 * 1024 } });
    const client = await openClient(server.port);
    const flood = Buffer.alloc(1024 * 1024, 'x');
    client.write(block(withId('big')).subarray(0, 200));
    const before = process.memoryUsage().arrayBuffers;
    // 200 MB, as fast as they are taken, until the service has closed
    for (let sent = 0; sent < 200 && !client.socket.destroyed && client.socket.writable; sent += 1) {
      if (!client.socket.write(flood))
        await Promise.race([once(client.socket, 'drain'), once(client.socket, 'close')]).catch(() => undefined);
    }
    const answers = await client.closed();
    expect(answers.map(said)).toEqual(['AR big']);
    expect(process.memoryUsage().arrayBuffers - before).toBeLessThan(64 * 1024 * 1024);
    expect(await counted(metrics, 'steelyard_mllp_faults_total{reason="too-large"}')).toBe(1);
  });

  test.each([
    ['of a character set that is not read', withId('odd').replace('|2.5.1', '|2.5.1||||||ISO IR87'), /character set in MSH-18/],
    [
      'of bytes that are not its own',
      Buffer.from(withId('odd').replace('Body weight', 'K\u00f6rper'), 'latin1'),
      /bytes are not UNICODE UTF-8/,
    ],
    ['with a line that is no segment', `${withId('odd')}no segment\r`, /begins with no segment name/],
  ])('with a message %s is told which one is rejected', async (_what, sent, problem) => {
    const { server } = await receiving();
    const client = await openClient(server.port);
    const answer = await client.ask(sent);
    expect([said(answer), segment(answer, 'MSH')[4]]).toEqual(['AR odd', 'GATEWAY']);
    expect(segment(answer, 'ERR')[8]).toMatch(problem);
  });

  test('with a message too large whose lines end in LF is told which one it was', async () => {
    const { server } = await receiving({ limits: { mostBytes: 8 * 1024 } });
    const client = await openClient(server.port);
    client.write(block(withId('big').replaceAll('\r', '\n') + 'x'.repeat(9 * 1024)));
    expect((await client.closed()).map(said)).toEqual(['AR big']);
  });

  test('with a control character in an escape stores nothing that cannot be read again', async () => {
    const { server } = await receiving();
    const client = await openClient(server.port);
    const odd = WEIGHT.replace('Body weight', 'Body\\X00\\weight');
    expect(said(await client.ask(message({ obx: [odd] })))).toBe('AA C-1');
    // read again for the comparison
    expect(said(await client.ask(message({ header: { 10: 'C-2' }, obr: 'OBR|1||R-2^GW^2.999.5^ISO', obx: [odd] })))).toBe('AA C-2');
  });

  test('with a message that does not end in time is told to send it again, and closed', async () => {
    const { server, metrics } = await receiving({ limits: { longestMessageMs: 30 } });
    const client = await openClient(server.port);
    client.write(block(message()).subarray(0, 300));
    const answer = await client.next();
    expect([said(answer), segment(answer, 'ERR')[3]]).toEqual(['AR', '207^Application error^HL70357']);
    await client.closed();
    expect(await counted(metrics, 'steelyard_mllp_faults_total{reason="too-slow"}')).toBe(1);
  });

  test('that speaks something else is closed without a word', async () => {
    const { server, metrics } = await receiving();
    const client = await openClient(server.port);
    client.write(Buffer.from('GET / HTTP/1.1\r\n\r\n'.repeat(5_000)));
    expect(await client.closed()).toEqual([]);
    expect(await counted(metrics, 'steelyard_mllp_faults_total{reason="no-blocks"}')).toBe(1);
  });

  test.each([
    ['zero bytes', Buffer.alloc(1_000)],
    [
      'bytes of no character set',
      Buffer.from(Array.from({ length: 1_000 }, (_, index) => (index * 37 + 128) % 256).filter((byte) => byte !== 0x0b && byte !== 0x1c)),
    ],
    ['thousands of segments', Buffer.from(`MSH|^~\\&|A${'\rOBX|1'.repeat(20_000)}`)],
    ['nothing but escapes', Buffer.from(message({ obx: [WEIGHT.replace('70.0', '\\X'.repeat(50_000))] }))],
    ['nothing but repetitions', Buffer.from(message({ pid: `PID|1||${'~'.repeat(200_000)}` }))],
    ['nothing but components', Buffer.from(message({ obx: [WEIGHT.replace('UCUM', '^'.repeat(200_000))] }))],
    ['an empty block', Buffer.alloc(0)],
  ])('with %s in a block goes on with the next message', async (_what, bytes) => {
    const { server } = await receiving();
    const client = await openClient(server.port);
    const first = await client.ask(bytes);
    expect(said(first)).toMatch(/^A[AER]/);
    expect(said(await client.ask(withId('after')))).toBe('AA after');
  });

  test('is closed when nothing was sent for long', async () => {
    const { server } = await receiving({ limits: { longestIdleMs: 30 } });
    const client = await openClient(server.port);
    expect(await client.closed()).toEqual([]);
  });

  test('of many makes room for a new one when it is the one that has been idle longest', async () => {
    const { server, metrics } = await receiving({ limits: { mostConnections: 2 } });
    const [first, second] = [await openClient(server.port), await openClient(server.port)];
    expect(said(await first.ask(withId('1')))).toBe('AA 1');
    expect(said(await second.ask(withId('2')))).toBe('AA 2');
    expect(said(await first.ask(withId('3')))).toBe('AA 3');
    const third = await openClient(server.port);
    await second.closed();
    expect([said(await first.ask(withId('4'))), said(await third.ask(withId('5')))]).toEqual(['AA 4', 'AA 5']);
    expect(await counted(metrics, 'steelyard_mllp_faults_total{reason="too-many"}')).toBe(1);
  });
});

describe('when it stops', () => {
  test('what is being worked on is answered, idle connections are closed, and nobody new comes in', async () => {
    let release = (): void => undefined;
    const slow = (store: Store): Store =>
      Object.assign(Object.create(store) as Store, {
        write: async (work: Parameters<Store['write']>[0]) => {
          const result = await store.write(work);
          await new Promise<void>((resolve) => (release = resolve));
          return result;
        },
        waitingUnits: () => store.waitingUnits(),
        read: store.read,
      });
    const { server, store } = await receiving({ storeOf: slow });
    const [busy, idle] = [await openClient(server.port), await openClient(server.port)];
    const asked = busy.ask(withId('1'));
    await until(async () => (await store.read.searchObservations({ includeHeld: true, sort: [], count: 1 })).resources.length === 1);
    const { port } = server;
    const stopped = server.stop(5_000);
    await idle.closed();
    await expect(openClient(port)).rejects.toThrow();
    release();
    expect(said(await asked)).toBe('AA 1');
    await busy.closed();
    await stopped;
    await until(() => server.connections === 0);
  });

  test('a message that has only begun is given up', async () => {
    const { server } = await receiving();
    const client = await openClient(server.port);
    client.write(block(message()).subarray(0, 100));
    await until(() => server.connections === 1);
    await server.stop(5_000);
    expect(await client.closed()).toEqual([]);
  });
});

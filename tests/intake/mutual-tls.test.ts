/** Senders that are known by their certificates, and what the gateways file lets them send. */
import { X509Certificate } from 'node:crypto';
import { once } from 'node:events';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { connect as connectTls, type ConnectionOptions } from 'node:tls';
import { afterAll, afterEach, describe, expect, test } from 'vitest';
import { senderOf } from '../../src/composition/mllp.ts';
import type { Gateways } from '../../src/gateways.ts';
import { TlsFiles } from '../../src/tls-files.ts';
import * as certificates from '../forward/test-certificates.ts';
import { message, WEIGHT } from './messages.ts';
import { clientOn, segment, segments, type Client } from './mllp-client.ts';
import { counted, startReceiving, type Receiving } from './receiving.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-mllp-'));
afterAll(() => rmSync(folder, { recursive: true }));
const written = (name: string, text: string): string => {
  const path = join(folder, name);
  writeFileSync(path, text);
  return path;
};
const paths = {
  caFile: written('ca.pem', certificates.AUTHORITY),
  certificateFile: written('cert.pem', certificates.SERVER_CERTIFICATE),
  keyFile: written('key.pem', certificates.SERVER_KEY),
};
const SILENT = { info: () => undefined, error: () => undefined };

const open: Receiving[] = [];
afterEach(async () => {
  for (const one of open.splice(0)) await one.close();
});

async function receiving(gateways: () => Gateways): Promise<Receiving> {
  const started = await startReceiving({
    tls: new TlsFiles(paths, SILENT, 'MLLP'),
    senderOf: (certificate) => senderOf(certificate, gateways()),
  });
  open.push(started);
  await started.store.write((writer) =>
    writer.putRegistry(
      'Device',
      'scale-1',
      { resourceType: 'Device', id: 'scale-1', identifier: [{ system: 'urn:oid:2.999.7', value: 'SCALE-1' }] },
      { identifiers: [{ system: 'urn:oid:2.999.7', value: 'SCALE-1' }], references: [] },
    ),
  );
  return started;
}
const OURS: ConnectionOptions = { cert: certificates.CLIENT_CERTIFICATE, key: certificates.CLIENT_KEY };
async function connect(port: number, options: ConnectionOptions = OURS): Promise<Client> {
  const socket = connectTls({ port, host: '127.0.0.1', servername: 'localhost', ca: certificates.AUTHORITY, ...options });
  await once(socket, 'secureConnect');
  return clientOn(socket);
}
const gateway = (devices: readonly string[], names: readonly string[] = ['steelyard.test']): Gateways =>
  new Map([['gateway-a', { devices: [...devices], certificates: [...names] }]]);
const said = (answer: string): string => segment(answer, 'MSA')[1] ?? '';

describe('a sender with a certificate', () => {
  test('of a gateway may send for its own scales, and the audit names the gateway', async () => {
    const { server, store, metrics } = await receiving(() => gateway(['scale-1']));
    const client = await connect(server.port);
    expect(said(await client.ask(message()))).toBe('AA');
    const { events } = await store.audit.search({ count: 5 });
    expect(events.some(({ text }) => text.includes('"gateway-a"'))).toBe(true);
    expect(await counted(metrics, 'steelyard_gateway_last_seen_timestamp_seconds{client="gateway-a"}')).toBeGreaterThan(0);
  });

  test('of a gateway may not send for another scale, nor for none; the others of the message are kept', async () => {
    const { server, store } = await receiving(() => gateway(['scale-1']));
    const client = await connect(server.port);
    const answer = await client.ask(
      message({
        obx: [
          WEIGHT.replace('SCALE-1', 'SCALE-2'),
          WEIGHT.replace('SCALE-1^^2.999.7^ISO', '').replace('|1|', '|3|'),
          WEIGHT.replace('|1|', '|4|'),
        ],
      }),
    );
    expect(said(answer)).toBe('AE');
    expect(
      segments(answer, 'ERR')
        .filter((err) => err[5]?.startsWith('transport-forbidden'))
        .map((err) => err[2]),
    ).toEqual(['OBX^1^18', 'OBX^2^18']);
    const page = await store.read.searchObservations({ includeHeld: true, sort: [], count: 5 });
    expect(page.resources).toHaveLength(1);
    const { events } = await store.audit.search({ count: 20 });
    expect(events.filter(({ text }) => text.includes('access-refused')).length).toBe(2);
  });

  test('that the file does not name is told so, and is served once the file does', async () => {
    let gateways = gateway(['scale-1'], ['gateway-9.ward.example']);
    const { server, store } = await receiving(() => gateways);
    const client = await connect(server.port);
    const answer = await client.ask(message());
    expect([said(answer), segment(answer, 'ERR')[8]]).toEqual(['AE', expect.stringMatching(/gateways file/)]);
    expect((await store.read.searchObservations({ includeHeld: true, sort: [], count: 5 })).resources).toEqual([]);
    gateways = gateway(['scale-1']);
    expect(said(await client.ask(message()))).toBe('AA');
  });

  test.each<[string, ConnectionOptions]>([
    ['no certificate', {}],
    ['a certificate of another authority', { cert: certificates.STRANGER, key: certificates.CLIENT_KEY }],
    ['an old TLS', { ...OURS, maxVersion: 'TLSv1.1', minVersion: 'TLSv1' }],
  ])('with %s is not spoken to', async (_what, options) => {
    const { server, metrics } = await receiving(() => gateway(['scale-1']));
    const asked = async (): Promise<string> => (await connect(server.port, options)).ask(message());
    await expect(asked()).rejects.toThrow();
    expect(await counted(metrics, 'steelyard_mllp_messages_total{result="accept"}')).toBe(0);
  });

  test('meets a renewed certificate of ours on its next connection', async () => {
    const { server } = await receiving(() => gateway(['scale-1']));
    const subjectNow = async (): Promise<string> => {
      const socket = connectTls({
        port: server.port,
        host: '127.0.0.1',
        ca: certificates.AUTHORITY,
        ...OURS,
        checkServerIdentity: () => undefined,
      });
      await once(socket, 'secureConnect');
      const subject = socket.getPeerX509Certificate()?.subject ?? '';
      socket.destroy();
      return subject;
    };
    expect(await subjectNow()).toBe('CN=Steelyard test server');
    writeFileSync(paths.keyFile, certificates.ELSEWHERE_KEY);
    writeFileSync(paths.certificateFile, certificates.ELSEWHERE_CERTIFICATE);
    expect(await subjectNow()).toBe('CN=Steelyard test server elsewhere');
    writeFileSync(paths.certificateFile, certificates.SERVER_CERTIFICATE);
    writeFileSync(paths.keyFile, certificates.SERVER_KEY);
  });
});

test('a certificate is that of the gateway whose name it bears, in whatever case, and of no other', () => {
  const certificate = new X509Certificate(certificates.CLIENT_CERTIFICATE);
  expect(senderOf(certificate, gateway([], ['STEELYARD.test']))?.caller.client).toBe('gateway-a');
  for (const names of [['test'], ['steelyard'], ['*.test'], ['steelyard.test.example'], []])
    expect(senderOf(certificate, gateway([], names))).toBeUndefined();
  expect(senderOf(undefined, gateway([]))).toBeUndefined();
  expect(senderOf(certificate, undefined)).toBeUndefined();
});

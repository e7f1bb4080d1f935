/** An EHR that asks for our certificate, and that we trust through an authority of its own. */
import { mkdtempSync, rmSync, utimesSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:https';
import type { AddressInfo } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { TLSSocket } from 'node:tls';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { EhrClient } from '../../src/forward/ehr-client.ts';
import { KeyFile } from '../../src/forward/key-file.ts';
import { TlsFiles, type TlsPaths } from '../../src/tls-files.ts';
import { TokenClient } from '../../src/forward/token-client.ts';
import { closed, keyPair, SCOPE } from './authorization-server.ts';
import { keptLog, type KeptLog } from './kept-log.ts';
import {
  AUTHORITY,
  CLIENT_CERTIFICATE,
  CLIENT_KEY,
  ELSEWHERE_CERTIFICATE,
  ELSEWHERE_KEY,
  RENEWED_CERTIFICATE,
  RENEWED_KEY,
  SERVER_CERTIFICATE,
  SERVER_KEY,
  STRANGER,
} from './test-certificates.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-tls-'));
const PATHS = { caFile: join(folder, 'ca.pem'), certificateFile: join(folder, 'cert.pem'), keyFile: join(folder, 'key.pem') } as const;
const closing: (() => Promise<void>)[] = [];
let log: KeptLog;
let writes = 0;
let seen: string[];

function put(path: string, text: string): void {
  writeFileSync(path, text);
  // file systems with coarse times would hide a quick change
  writes += 1;
  utimesSync(path, new Date(), new Date(Date.now() + writes * 1_000));
}

beforeEach(() => {
  log = keptLog();
  seen = [];
  put(PATHS.caFile, AUTHORITY);
  put(PATHS.certificateFile, CLIENT_CERTIFICATE);
  put(PATHS.keyFile, CLIENT_KEY);
});
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close();
});

/** Lets in who shows a certificate of the test authority. @returns its origin */
async function startServer(options: object = {}, answer = '{}'): Promise<{ readonly origin: string }> {
  const settings = { key: SERVER_KEY, cert: SERVER_CERTIFICATE, ca: AUTHORITY, requestCert: true, rejectUnauthorized: true, ...options };
  const server = createServer(settings, (request, response) => {
    const { socket } = request;
    seen.push(socket instanceof TLSSocket ? String(socket.getPeerCertificate().subject?.CN) : 'no TLS');
    response.setHeader('connection', 'close').end(answer);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', () => resolve()));
  closing.push(() => closed(server));
  return { origin: `https://127.0.0.1:${(server.address() as AddressInfo).port}` };
}

function ehrAt(origin: string, paths: TlsPaths | undefined): EhrClient {
  const tls = paths && new TlsFiles(paths, log);
  const ehr = new EhrClient({ baseUrl: `${origin}/fhir`, timeoutMs: 2_000, ...(tls && { tls }) });
  closing.push(() => ehr.close());
  return ehr;
}

const post = (ehr: EhrClient) => ehr.postBundle('{}', 'r');

describe('an EHR that asks for a certificate', () => {
  it('lets us in with ours', async () => {
    const { origin } = await startServer();
    expect(await post(ehrAt(origin, PATHS))).toEqual({ kind: 'answer', status: 200, text: '{}' });
    expect(seen).toEqual(['Steelyard test client']);
  });

  it.each<readonly ['TLSv1.2' | 'TLSv1.3', string]>([
    ['TLSv1.2', 'unsent'],
    // here our side of the handshake is over before the other side looks at the certificate
    ['TLSv1.3', 'unclear'],
  ])('keeps us out without (%s)', async (version, kind) => {
    const { origin } = await startServer({ minVersion: version, maxVersion: version });
    expect(await post(ehrAt(origin, { caFile: PATHS.caFile }))).toMatchObject({ kind });
    expect(seen).toEqual([]);
  });

  it('gets the token request with our certificate too', async () => {
    const { origin } = await startServer({}, '{"access_token":"a","token_type":"bearer","expires_in":300}');
    const path = join(folder, 'jwk.json');
    writeFileSync(path, JSON.stringify((await keyPair('ES384', 'k')).privateKey));
    const keys = await KeyFile.open(path, log);
    const clock = { nowMs: () => Date.now() };
    const tls = new TlsFiles(PATHS, log);
    const tokens = new TokenClient({ tokenUrl: `${origin}/token`, clientId: 'ward', scope: SCOPE, keys, clock, log, tls });
    closing.push(() => tokens.close());
    expect([await tokens.header(), seen]).toEqual(['Bearer a', ['Steelyard test client']]);
  });
});

describe('an EHR that we do not trust', () => {
  it.each<readonly [string, string | undefined, string]>([
    ['by the authorities of the system', undefined, 'SELF_SIGNED_CERT_IN_CHAIN'],
    ['by the authority of another', STRANGER, 'SELF_SIGNED_CERT_IN_CHAIN'],
  ])('%s is not spoken to', async (_what, authority, cause) => {
    const { origin } = await startServer({ requestCert: false });
    if (authority !== undefined) put(PATHS.caFile, authority);
    expect(await post(ehrAt(origin, authority === undefined ? undefined : PATHS))).toEqual({ kind: 'unsent', cause });
    expect(seen).toEqual([]);
  });

  it('for its name is not spoken to', async () => {
    const { origin } = await startServer({ key: ELSEWHERE_KEY, cert: ELSEWHERE_CERTIFICATE, requestCert: false });
    expect(await post(ehrAt(origin, PATHS))).toEqual({ kind: 'unsent', cause: 'ERR_TLS_CERT_ALTNAME_INVALID' });
    expect(seen).toEqual([]);
  });

  it('cannot be trusted by an environment variable', async () => {
    const { origin } = await startServer({ requestCert: false });
    process.env['NODE_TLS_REJECT_UNAUTHORIZED'] = '0';
    try {
      expect(await post(ehrAt(origin, undefined))).toMatchObject({ kind: 'unsent' });
    } finally {
      delete process.env['NODE_TLS_REJECT_UNAUTHORIZED'];
    }
  });

  it('for speaking no TLS but an old one is not spoken to', async () => {
    const { origin } = await startServer({ requestCert: false, minVersion: 'TLSv1', maxVersion: 'TLSv1.1', ciphers: 'DEFAULT@SECLEVEL=0' });
    expect(await post(ehrAt(origin, PATHS))).toMatchObject({ kind: 'unsent' });
    expect(seen).toEqual([]);
  });
});

describe('the files', () => {
  it('are read again for the next connection when they have changed', async () => {
    const { origin } = await startServer();
    const ehr = ehrAt(origin, PATHS);
    await post(ehr);
    put(PATHS.certificateFile, RENEWED_CERTIFICATE);
    put(PATHS.keyFile, RENEWED_KEY);
    await post(ehr);
    expect(seen).toEqual(['Steelyard test client', 'Steelyard test client renewed']);
    expect(log.lines('info')).toEqual(['the certificates for the EHR were read again']);
  });

  it('stay as they were while a renewal is half done, and the log says so once', async () => {
    const { origin } = await startServer();
    const ehr = ehrAt(origin, PATHS);
    put(PATHS.certificateFile, RENEWED_CERTIFICATE);
    await post(ehr);
    await post(ehr);
    expect(seen).toEqual(['Steelyard test client', 'Steelyard test client']);
    expect(log.lines('error')).toEqual([
      'the last good certificates for the EHR stay in use: the file of the private key holds no private key (PEM, without a passphrase) that belongs to the certificate',
    ]);
    put(PATHS.keyFile, RENEWED_KEY);
    await post(ehr);
    expect(seen.at(-1)).toBe('Steelyard test client renewed');
  });

  it('say how long our certificate is good for', () => {
    const files = new TlsFiles(PATHS, log);
    expect(files.daysLeft(Date.parse('2126-10-01T13:01:41Z'))).toBe(31);
    expect(files.daysLeft(Date.parse('2126-11-02T01:01:41Z'))).toBe(-0.5);
    expect(new TlsFiles({ caFile: PATHS.caFile }, log).daysLeft(0)).toBeUndefined();
  });

  it.each<readonly [string, keyof typeof PATHS, string | undefined, string]>([
    ['without certificates', 'caFile', 'nothing', 'caFile holds no certificate (PEM)'],
    ['without a certificate of ours', 'certificateFile', CLIENT_KEY, 'certificateFile holds no certificate (PEM)'],
    ['without a key', 'keyFile', '', 'keyFile holds no private key (PEM, without a passphrase) that belongs to the certificate'],
    [
      'with the key of another',
      'keyFile',
      RENEWED_KEY,
      'keyFile holds no private key (PEM, without a passphrase) that belongs to the certificate',
    ],
    ['that are missing', 'certificateFile', undefined, 'certificateFile cannot be read (ENOENT)'],
  ])('%s are refused', (_what, file, text, problem) => {
    if (text === undefined) rmSync(PATHS[file]);
    else put(PATHS[file], text);
    let found = '';
    try {
      new TlsFiles(PATHS, log);
    } catch (error) {
      const { file: at, message } = error as { readonly file: string; readonly message: string };
      found = `${at} ${message}`;
    }
    expect(found).toBe(problem);
  });
});

/**
 * The whole service as its settings start it, with a real OpenID provider where people sign in and
 * tokens for gateways, all on loopback. Everybody in it is invented.
 */
import { once } from 'node:events';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { createServer, type AddressInfo } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect } from 'vitest';
import { loadConfig } from '../../../src/config.ts';
import { stringifyExact } from '../../../src/core/json.ts';
import { createLog } from '../../../src/log.ts';
import { start, type Running } from '../../../src/main.ts';
import { weight } from '../../measurements.ts';
import { AUDIENCE, gatewayClaims, ISSUER, newKey, sign } from '../auth/issuer.ts';
import { jwksOf } from '../auth/key-server.ts';
import { send, type Answer } from '../edge.ts';
import { DrillClock } from './pages.ts';
import { CLIENT_ID, startWardProvider, type WardProvider } from './ward-provider.ts';

export interface Ward {
  readonly url: string;
  readonly port: number;
  readonly provider: WardProvider;
  readonly clock: DrillClock;
  readonly logLines: readonly string[];
  /** As a gateway does, and as somebody who may read everything. */
  fhir(method: string, path: string, resource?: object): Promise<Answer>;
  /** Registers somebody of 80.0 kg, who now weighs 97.8 kg: the id of that reading, which is held. */
  held(name: string): Promise<string>;
  /** The store of the service, as a command of an operator opens it beside. */
  readonly database: string;
  /** Stops the service and starts it again on the same store and port. */
  restart(): Promise<void>;
  close(): Promise<void>;
}

interface Options {
  /** Roles by the account at the provider; none for everybody else. */
  readonly roles: Readonly<Record<string, readonly string[]>>;
  readonly showsLogin?: true;
  readonly settings?: Readonly<Record<string, string>>;
}

export async function startWard({ roles, showsLogin, settings = {} }: Options): Promise<Ward> {
  const folder = mkdtempSync(join(tmpdir(), 'steelyard-ward-'));
  const port = await freePort();
  const url = `http://127.0.0.1:${port}`;
  const provider = await startWardProvider([url], {
    host: 'localhost',
    claims: (person) => ({ name: `${person} Invented`, roles: roles[person] ?? [] }),
    ...(showsLogin && { showsLogin }),
  });
  const key = await newKey('ward-1');
  writeFileSync(join(folder, 'keys.json'), jwksOf([key]));
  const config = loadConfig({
    STEELYARD_PORT: String(port),
    STEELYARD_DATABASE: join(folder, 'ward.db'),
    STEELYARD_AUTH: 'jwt',
    STEELYARD_JWKS: join(folder, 'keys.json'),
    STEELYARD_ISSUER: ISSUER,
    STEELYARD_AUDIENCE: AUDIENCE,
    STEELYARD_SIGNIN_ISSUER: provider.issuer,
    STEELYARD_SIGNIN_CLIENT_ID: CLIENT_ID,
    ...settings,
  });
  const clock = new DrillClock();
  const logLines: string[] = [];
  const log = createLog('info', { write: (line: string) => void logLines.push(line) });
  const begin = (): Promise<Running> => start(config, { clock, log });
  let running = await begin();
  let people = 0;
  const fhir: Ward['fhir'] = async (method, path, resource) => {
    const scope = 'system/Observation.crs system/Patient.u system/Device.u system/Provenance.rs system/AuditEvent.rs';
    const token = await sign(key, gatewayClaims(clock.nowMs(), { scope }));
    return send(port, method, `/fhir/${path}`, {
      headers: { Authorization: `Bearer ${token}`, ...(resource && { 'Content-Type': 'application/fhir+json' }) },
      ...(resource && { body: stringifyExact(resource) }),
    });
  };
  const weigh = async (id: string, kg: string, minutesAgo: number): Promise<Answer> => {
    const effectiveDateTime = new Date(clock.nowMs() - minutesAgo * 60_000).toISOString();
    return fhir('POST', 'Observation', weight(kg, 'kg', { subject: { reference: `Patient/${id}` }, effectiveDateTime }));
  };
  return {
    url,
    port,
    provider,
    clock,
    logLines,
    database: config.database,
    fhir,
    held: async (name) => {
      people += 1;
      const id = `p${people}`;
      const patient = { resourceType: 'Patient', id, name: [{ text: name }], birthDate: '1960-05-17' };
      expect((await fhir('PUT', `Patient/${id}`, patient)).status).toBe(201);
      expect((await weigh(id, '80.0', 1440)).status).toBe(201);
      const held = await weigh(id, '97.8', 2);
      expect(held.status, held.text).toBe(202);
      return /\/Observation\/([^/]+)/.exec(held.headers.location ?? '')?.[1] ?? '';
    },
    restart: async () => {
      await running.stop();
      running = await begin();
    },
    close: async () => {
      await running.stop();
      await provider.close();
      rmSync(folder, { recursive: true });
    },
  };
}

/** Provider and service must each know where the other is before they start. */
async function freePort(): Promise<number> {
  const server = createServer().listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  server.close();
  await once(server, 'close');
  return port;
}

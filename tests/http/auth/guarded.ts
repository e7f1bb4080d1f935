/** The whole service with a door: the real one, on keys and claims of an invented issuer. */
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Gateways } from '../../../src/gateways.ts';
import { createAuth } from '../../../src/http/auth/create-auth.ts';
import { stringifyExact } from '../../../src/core/json.ts';
import type { Answer } from '../edge.ts';
import { NOW, weight, type Changes } from '../../measurements.ts';
import { closeAfterFile } from '../../closing.ts';
import { startService, type Service } from '../../service.ts';
import { AUDIENCE, gatewayClaims, ISSUER, newKey, sign, type Claims, type SigningKey } from './issuer.ts';
import { jwksOf } from './key-server.ts';

export interface Guarded {
  readonly service: Service;
  readonly key: SigningKey;
  token(claims?: Claims): Promise<string>;
  /** A call with a token that holds these claims. */
  as(claims: Claims, method: string, path: string, body?: string, headers?: Readonly<Record<string, string>>): Promise<Answer>;
}

/** A nurse who reviews, on a tablet. */
export const NURSE: Claims = {
  sub: 'nurse-7',
  client_id: 'review-page',
  fhirUser: 'Practitioner/nurse-7',
  scope: 'user/Observation.rs steelyard/review',
};

export async function startGuarded(gateways?: Readonly<Record<string, readonly string[]>>): Promise<Guarded> {
  const key = await newKey('ward-1');
  const path = join(mkdtempSync(join(tmpdir(), 'steelyard-door-')), 'keys.json');
  writeFileSync(path, jwksOf([key]));
  const known: Gateways | undefined = gateways && new Map(Object.entries(gateways).map(([id, devices]) => [id, { devices: [...devices] }]));
  const clock = { nowMs: () => Date.parse(NOW) };
  const auth = await createAuth({ jwks: path, issuer: ISSUER, audience: AUDIENCE }, { clock, gateways: () => known });
  const service = await startService({
    now: NOW,
    auth,
    // every route is tried with tokens that are refused
    limits: { failedLoginsPerAddress: 1_000_000, failedLoginsPerCredential: 1_000_000 },
  });
  closeAfterFile(() => service.close());
  const token = (claims: Claims = {}): Promise<string> => sign(key, gatewayClaims(clock.nowMs(), claims));
  return {
    service,
    key,
    token,
    as: async (claims, method, path, body, headers = {}) =>
      service.call(method, path, {
        headers: {
          Authorization: `Bearer ${await token(claims)}`,
          ...(body !== undefined && { 'Content-Type': 'application/fhir+json' }),
          ...headers,
        },
        ...(body !== undefined && { body }),
      }),
  };
}

/** An invented weight of Harbourlight Ward, as text. */
export function weightText(changes: Changes = {}): string {
  return stringifyExact(weight('70.0', 'kg', { device: { reference: 'Device/scale-1' }, ...changes }));
}

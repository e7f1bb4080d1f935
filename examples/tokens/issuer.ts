/**
 * A stand-in for an authorization server: makes a key, and tokens for the parts of a hospital that a
 * try-out needs. Everything is invented, made when it runs, and written into folders of which each
 * reader is given one only. For trying out on one machine, never for patients.
 */
import { randomBytes, randomUUID } from 'node:crypto';
import { chmod, mkdir, readFile, rename, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { exportJWK, generateKeyPair, SignJWT, type CryptoKey, type JWK } from 'jose';

export const ISSUER = 'https://login.harbourlight.example';
export const AUDIENCE = 'https://steelyard.harbourlight.example/fhir';

/** As long as the service lets a token live at most. */
const TOKEN_LIFE_SECONDS = 12 * 60 * 60;
/** The key before stays in the set for as long as its tokens live. */
const MOST_KEYS = 2;
const ALGORITHM = 'ES384';

interface Holder {
  readonly client: string;
  /** The person behind the client, where there is one. */
  readonly user?: string;
  readonly scope: string;
  /** Where its token is put. */
  readonly file: string;
}

/** Scopes as SMART App Launch 2.2 writes them, and the service's own for review and operation. */
export const HOLDERS: readonly Holder[] = [
  { client: 'gateway-a', scope: 'system/Observation.cu system/Patient.u system/Device.u', file: 'tokens/gateway' },
  { client: 'ehr', scope: 'system/Observation.rs system/Provenance.rs', file: 'tokens/ehr' },
  {
    client: 'ward-page',
    user: 'nurse-invented',
    scope: 'user/Observation.rs user/Provenance.rs user/Patient.rs user/Device.rs steelyard/review',
    file: 'tokens/nurse',
  },
  {
    client: 'console',
    user: 'operator-invented',
    scope: 'user/Observation.rs user/Device.rsu user/AuditEvent.rs steelyard/operate',
    file: 'tokens/operator',
  },
  { client: 'monitor', scope: 'steelyard/operate', file: 'monitor/token' },
];

export interface IssuerClock {
  nowMs(): number;
}

export class TryOutIssuer {
  readonly #folder: string;
  readonly #clock: IssuerClock;
  readonly #kid = randomUUID();
  readonly #key: CryptoKey;

  private constructor(folder: string, clock: IssuerClock, key: CryptoKey) {
    this.#folder = folder;
    this.#clock = clock;
    this.#key = key;
  }

  /** Makes a new key and adds it to the key set in `folder`, which is made with all that is in it. */
  static async open(folder: string, clock: IssuerClock): Promise<TryOutIssuer> {
    const { privateKey, publicKey } = await generateKeyPair(ALGORITHM);
    const issuer = new TryOutIssuer(folder, clock, privateKey);
    for (const name of ['keys', 'tokens', 'monitor', 'database', 'grafana']) await mkdir(join(folder, name), { recursive: true });
    const before = await keysIn(join(folder, 'keys/jwks.json'));
    const own: JWK = { ...(await exportJWK(publicKey)), kid: issuer.#kid, alg: ALGORITHM, use: 'sig' };
    await issuer.#write('keys/jwks.json', JSON.stringify({ keys: [own, ...before].slice(0, MOST_KEYS) }));
    return issuer;
  }

  /** Writes a fresh token for everybody. */
  async renew(): Promise<void> {
    for (const holder of HOLDERS) await this.#write(holder.file, await this.#tokenFor(holder));
  }

  /** Invents what must stay the same for as long as a database keeps it; does nothing the second time. */
  async writeSecrets(databaseAt: string): Promise<void> {
    if (await exists(join(this.#folder, 'database/url'))) return;
    const password = randomBytes(24).toString('base64url');
    await this.#write('grafana/password', randomBytes(24).toString('base64url'));
    await this.#write('database/password', password);
    await this.#write('database/url', `postgres://steelyard:${password}@${databaseAt}/steelyard`);
  }

  #tokenFor({ client, user, scope }: Holder): Promise<string> {
    const now = Math.floor(this.#clock.nowMs() / 1000);
    return new SignJWT({ client_id: client, scope, ...(user !== undefined && { fhirUser: `Practitioner/${user}` }) })
      .setProtectedHeader({ alg: ALGORITHM, kid: this.#kid, typ: 'at+jwt' })
      .setIssuer(ISSUER)
      .setAudience(AUDIENCE)
      .setSubject(user ?? client)
      .setIssuedAt(now)
      .setExpirationTime(now + TOKEN_LIFE_SECONDS)
      .setJti(randomUUID())
      .sign(this.#key);
  }

  /** In one step, so that nobody reads half a file. Whoever is given the folder may read it. */
  async #write(name: string, text: string): Promise<void> {
    const path = join(this.#folder, name);
    await writeFile(`${path}.new`, text, { mode: 0o644 });
    await chmod(`${path}.new`, 0o644); // whatever the umask says: each reader is another user
    await rename(`${path}.new`, path);
  }
}

async function keysIn(path: string): Promise<JWK[]> {
  const text = await readFile(path, 'utf8').catch(() => '{"keys":[]}');
  return (JSON.parse(text) as { readonly keys: JWK[] }).keys;
}

async function exists(path: string): Promise<boolean> {
  return readFile(path).then(
    () => true,
    () => false,
  );
}

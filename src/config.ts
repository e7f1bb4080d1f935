/**
 * The only reader of the environment: variables in, a frozen Config or every mistake at once out.
 * Secrets are never values here but the names of files that hold them; a database URL may be either.
 *
 * Names, forms, defaults and meanings stand in `settings.ts`.
 */
import { readFileSync } from 'node:fs';
import { z } from 'zod';
import { nearestName } from './core/nearest-name.ts';
import { Environment, isLoopback, isSafe, type LogLevel, type Settings } from './settings.ts';
import { contradictionsOfSignIn, signInOf, type SignInSettings } from './settings-sign-in.ts';

export { isPostgresUrl, type LogLevel } from './settings.ts';

/** sysexits(3), EX_CONFIG: something is wrong with the configuration. */
export const EXIT_BAD_CONFIG = 78;

export interface Config {
  readonly host: string;
  /** 0 lets the system pick a free one. */
  readonly port: number;
  /** Path of the SQLite file, or a `postgres://` URL, which may hold a password. */
  readonly database: string;
  /** Path of the policy file; the built-in policy when absent. */
  readonly policyFile?: string;
  /** Folder of the growth tables; children are judged by age bands when absent. */
  readonly growthTables?: string;
  /** FHIR base of the EHR, without a slash at its end; nothing is forwarded when absent. */
  readonly ehrUrl?: string;
  /** How to get a token for the EHR; none is asked for when absent. */
  readonly ehrLogin?: EhrLogin;
  /** Files of our own certificate and of whom we trust, for an EHR that asks for one. */
  readonly ehrTls?: EhrTls;
  /** Share of sent Observations that are read again at the EHR and compared, in percent. */
  readonly readBackPercent: number;
  /** Ask the EHR for birth date and sex of people whom nobody told us of. */
  readonly readDemographics: boolean;
  /** What endpoints of Subscriptions must begin with; none is taken while it is empty. */
  readonly subscriptionTargets: readonly string[];
  readonly auth: AuthSettings;
  /** How people sign in to the pages; with `jwt` nobody is let in to them when absent. */
  readonly signIn?: SignInSettings;
  /** Path of the JSON file that says which gateway may send for which scales, and how often it is heard of. */
  readonly gatewaysFile?: string;
  /** Where HL7 v2 is taken in; nowhere when absent. */
  readonly mllp?: MllpSettings;
  /** Requests that one client may make in a minute. */
  readonly rateLimit: number;
  /** Base of an OpenTelemetry collector (OTLP over HTTP); no traces when absent. */
  readonly otlpEndpoint?: string;
  /** FHIR base that links and Locations are built from, when it is not the listening address. */
  readonly baseUrl?: string;
  readonly logLevel: LogLevel;
}

/** SMART Backend Services: the key file holds one private JWK, or a set of them, for RS384 or ES384. */
export interface EhrLogin {
  readonly tokenUrl: string;
  readonly clientId: string;
  readonly keyFile: string;
  readonly scope: string;
}

export interface MllpSettings {
  readonly host: string;
  /** 0 lets the system pick a free one. */
  readonly port: number;
  /** Plain TCP when absent. */
  readonly tls?: { readonly certificateFile: string; readonly keyFile: string; readonly caFile?: string };
}

/** PEM files. */
export interface EhrTls {
  readonly caFile?: string;
  readonly certificateFile?: string;
  readonly keyFile?: string;
}

export type AuthSettings =
  | { readonly kind: 'none' }
  /** `jwks`: URL or path of the key set. `personClaim`: what only tokens of people have. */
  | { readonly kind: 'jwt'; readonly jwks: string; readonly issuer: string; readonly audience: string; readonly personClaim?: string };

/** One or more settings are wrong. `problems` holds one sentence each and no secret. */
export class ConfigError extends Error {
  readonly problems: readonly string[];
  constructor(problems: readonly string[]) {
    super(problems.join('\n'));
    this.name = 'ConfigError';
    this.problems = problems;
  }
}

/**
 * Reads the settings. An empty variable counts as unset, as compose files write them.
 *
 * @throws ConfigError with a sentence for each wrong, unserved or unknown variable
 */
export function loadConfig(environment: Readonly<Record<string, string | undefined>> = process.env): Config {
  const given = Object.fromEntries(
    Object.entries(environment).filter(([name, value]) => isOurs(name) && value !== undefined && value !== ''),
  );
  const unknown = Object.keys(given).filter((name) => !Object.hasOwn(Environment.shape, name));
  const problems = unknown.map((name) => `${name} is no setting of this service; ${spellingOf(name)}.`);
  readDatabaseFile(given, problems);
  const result = Environment.safeParse(given);
  if (!result.success) {
    problems.push(...result.error.issues.map(({ path, message }) => `${String(path[0])} ${message}.`));
  } else problems.push(...contradictionsIn(result.data));
  if (problems.length > 0 || !result.success) throw new ConfigError(problems);
  return Object.freeze(toConfig(result.data));
}

function spellingOf(name: string): string {
  const meant = nearestName(name, Object.keys(Environment.shape));
  return meant === undefined ? 'README.md lists them all' : `${meant} may be meant`;
}

/** Of the variables that are not ours by name, one is read: the standard one for traces. */
function isOurs(name: string): boolean {
  return name.startsWith('STEELYARD_') || name === 'OTEL_EXPORTER_OTLP_ENDPOINT';
}

function readDatabaseFile(given: Record<string, string | undefined>, problems: string[]): void {
  const path = given['STEELYARD_DATABASE_FILE'];
  if (path === undefined) return;
  if (given['STEELYARD_DATABASE'] !== undefined) {
    problems.push('STEELYARD_DATABASE_FILE cannot be set beside STEELYARD_DATABASE: both name the store.');
    return;
  }
  try {
    given['STEELYARD_DATABASE'] = readFileSync(path, 'utf8').trim();
  } catch {
    problems.push('STEELYARD_DATABASE_FILE names a file that cannot be read.');
    return;
  }
  if (given['STEELYARD_DATABASE'] === '') problems.push('STEELYARD_DATABASE_FILE names a file that is empty.');
}

/** What each variable alone cannot tell. */
function contradictionsIn(settings: Settings): string[] {
  const problems: string[] = [];
  const together = (names: readonly (keyof Settings)[]): void => {
    const missing = names.filter((name) => settings[name] === undefined);
    if (missing.length > 0 && missing.length < names.length)
      problems.push(...missing.map((name) => `${name} must be set too: ${names.join(', ')} go together.`));
  };
  together(['STEELYARD_EHR_TOKEN_URL', 'STEELYARD_EHR_CLIENT_ID', 'STEELYARD_EHR_KEY_FILE']);
  if (settings.STEELYARD_EHR_DEMOGRAPHICS === 'on' && settings.STEELYARD_EHR_URL === undefined)
    problems.push('STEELYARD_EHR_URL must be set while STEELYARD_EHR_DEMOGRAPHICS=on.');
  together(['STEELYARD_EHR_CERT_FILE', 'STEELYARD_EHR_CERT_KEY_FILE']);
  problems.push(...contradictionsOfEhr(settings));
  together(['STEELYARD_MLLP_CERT_FILE', 'STEELYARD_MLLP_KEY_FILE']);
  problems.push(...contradictionsOfMllp(settings));
  const forTokens = ['STEELYARD_JWKS', 'STEELYARD_ISSUER', 'STEELYARD_AUDIENCE'] as const;
  if (settings.STEELYARD_AUTH === 'jwt') {
    problems.push(
      ...forTokens.filter((name) => settings[name] === undefined).map((name) => `${name} must be set while STEELYARD_AUTH=jwt.`),
    );
  } else {
    problems.push(
      ...[...forTokens, 'STEELYARD_PERSON_CLAIM' as const]
        .filter((name) => settings[name] !== undefined)
        .map((name) => `${name} means nothing while STEELYARD_AUTH=none.`),
    );
    // nobody is known by a client_id, so its list of scales would be off without a word
    if (settings.STEELYARD_GATEWAYS !== undefined)
      problems.push(
        'STEELYARD_GATEWAYS holds nobody to its scales while STEELYARD_AUTH=none, since no caller is known; set STEELYARD_AUTH=jwt or leave it unset.',
      );
    if (!isLoopback(settings.STEELYARD_HOST))
      problems.push('STEELYARD_HOST must be a loopback address while STEELYARD_AUTH=none, since anyone who reaches the port may write.');
  }
  problems.push(...contradictionsOfSignIn(settings));
  return problems;
}

function contradictionsOfEhr(settings: Settings): string[] {
  const { STEELYARD_EHR_URL: url, STEELYARD_EHR_TOKEN_URL: tokenUrl } = settings;
  const needless = ['STEELYARD_EHR_TOKEN_URL', 'STEELYARD_EHR_CA_FILE', 'STEELYARD_EHR_CERT_FILE'] as const;
  if (url === undefined)
    return needless.filter((name) => settings[name] !== undefined).map((name) => `${name} means nothing without STEELYARD_EHR_URL.`);
  if (tokenUrl === undefined || isSafe(url)) return [];
  return [
    'STEELYARD_EHR_URL must be an https URL while STEELYARD_EHR_TOKEN_URL is set, since tokens go there (http is taken on loopback only).',
  ];
}

/** MLLP has no tokens: who sends is known by a certificate, or may be anybody on this machine. */
function contradictionsOfMllp(settings: Settings): string[] {
  const {
    STEELYARD_MLLP_PORT: port,
    STEELYARD_MLLP_HOST: host,
    STEELYARD_MLLP_CERT_FILE: certificate,
    STEELYARD_MLLP_CA_FILE: ca,
  } = settings;
  if (port === undefined)
    return (['STEELYARD_MLLP_HOST', 'STEELYARD_MLLP_CERT_FILE', 'STEELYARD_MLLP_KEY_FILE', 'STEELYARD_MLLP_CA_FILE'] as const)
      .filter((name) => settings[name] !== undefined)
      .map((name) => `${name} means nothing without STEELYARD_MLLP_PORT.`);
  const problems: string[] = [];
  if (settings.STEELYARD_AUTH === 'jwt') {
    const needed = ['STEELYARD_MLLP_CERT_FILE', 'STEELYARD_MLLP_KEY_FILE', 'STEELYARD_MLLP_CA_FILE', 'STEELYARD_GATEWAYS'] as const;
    const missing = needed.filter((name) => settings[name] === undefined);
    if (missing.length > 0)
      problems.push(
        `STEELYARD_MLLP_PORT needs ${missing.join(', ')} while STEELYARD_AUTH=jwt, since MLLP has no tokens and gateways are known by their certificates.`,
      );
  } else {
    if (host !== undefined && !isLoopback(host))
      problems.push(
        'STEELYARD_MLLP_HOST must be a loopback address while STEELYARD_AUTH=none, since anyone who reaches the port may write.',
      );
    if (ca !== undefined && certificate === undefined)
      problems.push('STEELYARD_MLLP_CA_FILE means nothing without STEELYARD_MLLP_CERT_FILE: certificates are shown over TLS only.');
  }
  const isSamePort = port !== '0' && port === settings.STEELYARD_PORT;
  if (isSamePort && (host === undefined || host === settings.STEELYARD_HOST))
    problems.push('STEELYARD_MLLP_PORT must be another port than STEELYARD_PORT.');
  return problems;
}

function mllpOf(settings: Settings): MllpSettings | undefined {
  const { STEELYARD_MLLP_CERT_FILE: certificateFile, STEELYARD_MLLP_KEY_FILE: keyFile, STEELYARD_MLLP_CA_FILE: caFile } = settings;
  if (settings.STEELYARD_MLLP_PORT === undefined) return undefined;
  const isSecured = certificateFile !== undefined && keyFile !== undefined;
  return {
    host: settings.STEELYARD_MLLP_HOST ?? settings.STEELYARD_HOST,
    port: Number(settings.STEELYARD_MLLP_PORT),
    ...(isSecured && { tls: { certificateFile, keyFile, ...(caFile !== undefined && { caFile }) } }),
  };
}

function toConfig(settings: Settings): Config {
  const { STEELYARD_EHR_TOKEN_URL: tokenUrl, STEELYARD_EHR_CLIENT_ID: clientId, STEELYARD_EHR_KEY_FILE: keyFile } = settings;
  const isLoggingIn = tokenUrl !== undefined && clientId !== undefined && keyFile !== undefined;
  const ehrTls = withoutUndefined({
    caFile: settings.STEELYARD_EHR_CA_FILE,
    certificateFile: settings.STEELYARD_EHR_CERT_FILE,
    keyFile: settings.STEELYARD_EHR_CERT_KEY_FILE,
  });
  return {
    host: settings.STEELYARD_HOST,
    port: Number(settings.STEELYARD_PORT),
    database: settings.STEELYARD_DATABASE,
    logLevel: settings.STEELYARD_LOG_LEVEL,
    readBackPercent: Number(settings.STEELYARD_EHR_READBACK),
    readDemographics: settings.STEELYARD_EHR_DEMOGRAPHICS === 'on',
    rateLimit: Number(settings.STEELYARD_RATE_LIMIT),
    subscriptionTargets: settings.STEELYARD_SUBSCRIPTION_TARGETS ?? [],
    auth: authOf(settings),
    ...(isLoggingIn && { ehrLogin: { tokenUrl, clientId, keyFile, scope: settings.STEELYARD_EHR_SCOPE } }),
    ...(Object.keys(ehrTls).length > 0 && { ehrTls }),
    ...withoutUndefined({
      signIn: signInOf(settings),
      mllp: mllpOf(settings),
      policyFile: settings.STEELYARD_POLICY,
      growthTables: settings.STEELYARD_GROWTH_TABLES,
      ehrUrl: settings.STEELYARD_EHR_URL,
      baseUrl: settings.STEELYARD_BASE_URL,
      gatewaysFile: settings.STEELYARD_GATEWAYS,
      otlpEndpoint: settings.OTEL_EXPORTER_OTLP_ENDPOINT,
    }),
  };
}

function authOf(settings: Settings): AuthSettings {
  const { STEELYARD_AUTH, STEELYARD_JWKS: jwks, STEELYARD_ISSUER: issuer, STEELYARD_AUDIENCE: audience } = settings;
  if (STEELYARD_AUTH === 'none' || jwks === undefined || issuer === undefined || audience === undefined) return { kind: 'none' };
  return { kind: 'jwt', jwks, issuer, audience, ...withoutUndefined({ personClaim: settings.STEELYARD_PERSON_CLAIM }) };
}

type Defined<Shape> = { readonly [Name in keyof Shape]?: Exclude<Shape[Name], undefined> };

function withoutUndefined<Shape extends object>(shape: Shape): Defined<Shape> {
  return Object.fromEntries(Object.entries(shape).filter(([, value]) => value !== undefined)) as Defined<Shape>;
}

export interface ConfigRow {
  readonly name: string;
  /** As written in the environment; absent when there is none. */
  readonly default?: string;
  readonly means: string;
}

/** Every variable with its default and meaning, from the schema itself. */
export function describeConfig(): readonly ConfigRow[] {
  return Object.entries(Environment.shape).map(([name, schema]) => {
    const fallback = schema instanceof z.ZodDefault ? schema.def.defaultValue : undefined;
    return { name, means: schema.description ?? '', ...(fallback !== undefined && { default: fallback }) };
  });
}

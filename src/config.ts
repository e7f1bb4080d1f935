/**
 * The only reader of the environment: variables in, a frozen Config or every mistake at once out.
 *
 * One zod schema holds names, defaults and meanings; the README's table is tested against it.
 * A setting that this version does not serve is refused, since one silently ignored is dangerous.
 */
import { BlockList, isIP } from 'node:net';
import { z } from 'zod';

/** sysexits(3), EX_CONFIG: something is wrong with the configuration. */
export const EXIT_BAD_CONFIG = 78;

export interface Config {
  readonly host: string;
  /** 0 lets the system pick a free one. */
  readonly port: number;
  /** Path of the SQLite file. */
  readonly database: string;
  /** Path of the policy file; the built-in policy when absent. */
  readonly policyFile?: string;
  /** Folder of the growth tables; children are judged by age bands when absent. */
  readonly growthTables?: string;
  /** FHIR base of the EHR, without a slash at its end; nothing is forwarded when absent. */
  readonly ehrUrl?: string;
  /** FHIR base that links and Locations are built from, when it is not the listening address. */
  readonly baseUrl?: string;
  readonly logLevel: LogLevel;
}

const LOG_LEVELS = ['fatal', 'error', 'warn', 'info', 'debug', 'trace', 'silent'] as const;
export type LogLevel = (typeof LOG_LEVELS)[number];

const NOT_SERVED = 'is not served by this version; leave it unset';
const notServed = (means: string) => z.undefined({ error: NOT_SERVED }).optional().describe(means);

const fhirBase = z
  .url({ protocol: /^https?$/, error: 'must be an http or https URL' })
  .refine((text) => !/[?#]/.test(text) && !hasCredentials(text), { error: 'must have no user, password, query or fragment' })
  .transform((text) => text.replace(/\/+$/, ''));

const Environment = z.object({
  STEELYARD_HOST: z
    .string()
    .default('127.0.0.1')
    .refine(isLoopback, { error: 'must be a loopback address while STEELYARD_AUTH=none, since anyone who reaches the port may write' })
    .describe('address to listen on; a non-loopback address is refused while `STEELYARD_AUTH=none`'),
  STEELYARD_PORT: z
    .string()
    .refine((text) => /^\d{1,5}$/.test(text) && Number(text) <= 65_535, { error: 'must be a whole number from 0 to 65535' })
    .default('8080')
    .describe('port to listen on; `0` picks a free one, which the start line prints'),
  STEELYARD_DATABASE: z
    .string()
    .refine((text) => !/^[a-z][a-z0-9+.-]*:\/\//i.test(text), {
      error: 'must be a file path: a database URL is not served by this version',
    })
    .default('./steelyard.db')
    .describe('file path of the embedded SQLite store'),
  STEELYARD_POLICY: z
    .string()
    .optional()
    .describe('path of a JSON policy file that overrides thresholds by name, read again on SIGHUP; unknown names are refused'),
  STEELYARD_EHR_URL: fhirBase.optional().describe('FHIR base of the EHR; without it nothing is forwarded and readings stay pullable'),
  STEELYARD_EHR_TOKEN_URL: notServed('SMART Backend Services for the outgoing side; not served yet, refused when set'),
  STEELYARD_EHR_CLIENT_ID: notServed('as above'),
  STEELYARD_EHR_KEY_FILE: notServed('as above'),
  STEELYARD_BASE_URL: fhirBase
    .optional()
    .describe(
      'FHIR base that links and `Location` are built from, behind a proxy; the listening address by default, never the `Host` header',
    ),
  STEELYARD_AUTH: z
    .literal('none', { error: 'must be none: bearer tokens are not served by this version' })
    .default('none')
    .describe('who may call: `none` lets everybody who reaches the port'),
  STEELYARD_JWKS: notServed('bearer tokens; not served yet, refused when set'),
  STEELYARD_ISSUER: notServed('as above'),
  STEELYARD_AUDIENCE: notServed('as above'),
  STEELYARD_GROWTH_TABLES: z
    .string()
    .optional()
    .describe('folder with the published CDC 2000 and WHO tables (.csv, .tsv, .txt); without it children are judged by age bands'),
  STEELYARD_LOG_LEVEL: z
    .enum(LOG_LEVELS, { error: `must be one of ${LOG_LEVELS.join(', ')}` })
    .default('info')
    .describe('how much is logged; one JSON object a line on standard output'),
  STEELYARD_MLLP_PORT: notServed('HL7 v2 over MLLP listener; not served yet, refused when set'),
});

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
 * @throws ConfigError with a sentence for each wrong, unserved or unknown `STEELYARD_` variable
 */
export function loadConfig(environment: Readonly<Record<string, string | undefined>> = process.env): Config {
  const given = Object.fromEntries(
    Object.entries(environment).filter(([name, value]) => name.startsWith('STEELYARD_') && value !== undefined && value !== ''),
  );
  const unknown = Object.keys(given).filter((name) => !Object.hasOwn(Environment.shape, name));
  const problems = unknown.map((name) => `${name} is no setting of this service; check its spelling.`);
  const result = Environment.safeParse(given);
  if (!result.success) {
    problems.push(...result.error.issues.map(({ path, message }) => `${String(path[0])} ${message}.`));
  }
  if (problems.length > 0 || !result.success) throw new ConfigError(problems);

  const {
    STEELYARD_POLICY: policyFile,
    STEELYARD_GROWTH_TABLES: growthTables,
    STEELYARD_EHR_URL: ehrUrl,
    STEELYARD_BASE_URL: baseUrl,
    ...rest
  } = result.data;
  return Object.freeze({
    host: rest.STEELYARD_HOST,
    port: Number(rest.STEELYARD_PORT),
    database: rest.STEELYARD_DATABASE,
    logLevel: rest.STEELYARD_LOG_LEVEL,
    ...(policyFile !== undefined && { policyFile }),
    ...(growthTables !== undefined && { growthTables }),
    ...(ehrUrl !== undefined && { ehrUrl }),
    ...(baseUrl !== undefined && { baseUrl }),
  });
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

function isLoopback(host: string): boolean {
  if (host === 'localhost') return true;
  const loopback = new BlockList();
  loopback.addSubnet('127.0.0.0', 8, 'ipv4');
  loopback.addAddress('::1', 'ipv6');
  const family = isIP(host);
  return family !== 0 && loopback.check(host, family === 4 ? 'ipv4' : 'ipv6');
}

function hasCredentials(text: string): boolean {
  if (!URL.canParse(text)) return false;
  const { username, password } = new URL(text);
  return username !== '' || password !== '';
}

/**
 * Every environment variable with its form, default and meaning, each looked at alone; what
 * `config.ts` makes of them together, and the README's table, come from this one schema.
 * A setting that is not in it is refused, since one silently ignored is dangerous.
 */
import { BlockList, isIP } from 'node:net';
import { z } from 'zod';

const LOG_LEVELS = ['fatal', 'error', 'warn', 'info', 'debug', 'trace', 'silent'] as const;
export type LogLevel = (typeof LOG_LEVELS)[number];

const fhirBase = z
  .url({ protocol: /^https?$/, error: 'must be an http or https URL' })
  .refine((text) => !/[?#]/.test(text) && !hasCredentials(text), { error: 'must have no user, password, query or fragment' })
  .transform((text) => text.replace(/(?<!\/)\/+$/, ''));

// whoever logs, traces or publishes an address would publish what stands in it; fetch takes none such either
const NO_CREDENTIALS = { error: 'must have no user and password in it' };
const httpUrl = z
  .url({ protocol: /^https?$/, error: 'must be an http or https URL' })
  .refine((text) => !hasCredentials(text), NO_CREDENTIALS);
const safeUrl = httpUrl.refine((text) => isSafe(text), {
  error: 'must be an https URL, since tokens go there (http is taken on loopback only)',
});
const wholeNumber = (from: number, to: number) =>
  z.string().refine((text) => /^\d{1,9}$/.test(text) && Number(text) >= from && Number(text) <= to, {
    error: `must be a whole number from ${from} to ${to}`,
  });
const port = z
  .string()
  .refine((text) => /^\d{1,5}$/.test(text) && Number(text) <= 65_535, { error: 'must be a whole number from 0 to 65535' });
/** Addresses between commas, none of which has anything behind its path. */
const targets = z
  .string()
  .transform((text) => text.split(',').map((one) => one.trim()))
  .refine((list) => list.every((one) => URL.canParse(one) && /^https?:/i.test(one) && isSafe(one)), {
    error: 'must be https URLs with commas between them, since readings go there (http is taken on loopback only)',
  })
  .refine((list) => list.every((one) => !/[?#\\\s]/.test(one) && !hasCredentials(one)), {
    error: 'must have no user, password, query or fragment',
  });
const onOrOff = z.enum(['on', 'off'], { error: 'must be on or off' });
/** Says nothing of who holds it (RFC 9068 section 2.2). */
const IN_EVERY_TOKEN: ReadonlySet<string> = new Set(['iss', 'aud', 'exp', 'nbf', 'iat', 'jti', 'client_id', 'azp', 'scope']);
/** Values of a claim may stand in one text with blanks between. */
const claimValue = z.string().refine((text) => /^[^\s\p{Cc}]{1,200}$/u.test(text), { error: 'must be one word of 200 characters at most' });
const file = (means: string) => z.string().optional().describe(means);

export const Environment = z.object({
  STEELYARD_HOST: z
    .string()
    .default('127.0.0.1')
    .describe('address to listen on; a non-loopback address is refused while `STEELYARD_AUTH=none`'),
  STEELYARD_PORT: port.default('8080').describe('port to listen on; `0` picks a free one, which the start line prints'),
  STEELYARD_DATABASE: z
    .string()
    .refine((text) => isPostgresUrl(text) || !mayBeMistakenUrl(text), {
      error: 'must be a file path, or a postgres:// URL with a host and a database',
    })
    .default('./steelyard.db')
    .describe('file path of the embedded SQLite store, or a `postgres://` URL, on which any number of replicas may run'),
  STEELYARD_DATABASE_FILE: file('path of a file that holds the value of `STEELYARD_DATABASE`, for a URL with a password; not both'),
  STEELYARD_POLICY: z
    .string()
    .optional()
    .describe('path of a JSON policy file that overrides thresholds by name, read again on SIGHUP; unknown names are refused'),
  STEELYARD_EHR_URL: fhirBase.optional().describe('FHIR base of the EHR; without it nothing is forwarded and readings stay pullable'),
  STEELYARD_EHR_TOKEN_URL: safeUrl
    .optional()
    .describe('token endpoint of the EHR (SMART Backend Services); with it go a client id and a key file'),
  STEELYARD_EHR_CLIENT_ID: z.string().optional().describe('what the EHR knows this service as'),
  STEELYARD_EHR_KEY_FILE: file('path of the private key as JWK or JWK set, for RS384 or ES384; read again for each token'),
  STEELYARD_EHR_SCOPE: z.string().default('system/Observation.crus system/Provenance.crus').describe('scopes to ask the EHR for'),
  STEELYARD_EHR_CA_FILE: file('path of the certificates (PEM) that vouch for the EHR, in place of those of the system'),
  STEELYARD_EHR_CERT_FILE: file('path of our own certificate (PEM), for an EHR that asks for mutual TLS; with it goes its key'),
  STEELYARD_EHR_CERT_KEY_FILE: file('path of the private key (PEM) of that certificate'),
  STEELYARD_EHR_READBACK: wholeNumber(0, 100)
    .default('1')
    .describe('percent of the sent Observations that are read again at the EHR and compared with what was sent'),
  STEELYARD_EHR_DEMOGRAPHICS: onOrOff
    .default('off')
    .describe('`on`: birth date and sex of people whom nobody told us of are read from the EHR, in the background'),
  STEELYARD_SUBSCRIPTION_TARGETS: targets
    .optional()
    .describe(
      'what endpoints of Subscriptions must begin with: `https` URLs with commas between them; without it no Subscription is taken and nobody is notified',
    ),
  STEELYARD_BASE_URL: fhirBase
    .optional()
    .describe(
      'FHIR base that links and `Location` are built from, behind a proxy; the listening address by default, never the `Host` header',
    ),
  STEELYARD_AUTH: z
    .enum(['none', 'jwt'], { error: 'must be none or jwt' })
    .default('none')
    .describe('who may call: `none` lets everybody who reaches the port, `jwt` the holders of a bearer token'),
  STEELYARD_JWKS: z
    .string()
    .refine((text) => !/^[a-z][a-z0-9+.-]*:\/\//i.test(text) || (URL.canParse(text) && isSafe(text)), {
      error: 'must be an https URL or a file path (http is taken on loopback only)',
    })
    .refine((text) => !hasCredentials(text), NO_CREDENTIALS)
    .optional()
    .describe('with `jwt`: URL or path of the key set that tokens are signed with'),
  STEELYARD_ISSUER: z.string().optional().describe('with `jwt`: whom tokens must come from (`iss`)'),
  STEELYARD_AUDIENCE: z.string().optional().describe('with `jwt`: for whom tokens must be made (`aud`)'),
  STEELYARD_PERSON_CLAIM: z
    .string()
    .refine((text) => /^[!-~]{1,200}$/.test(text) && !IN_EVERY_TOKEN.has(text), {
      error: 'must be the name of a claim that tokens of people have and those of programs do not',
    })
    .optional()
    .describe(
      'with `jwt`: the claim by which a token names a person, who alone may decide; `fhirUser` unless set, `sub` if the server gives programs their `client_id` there',
    ),
  STEELYARD_GATEWAYS: file(
    'with `jwt`: path of a JSON file that names the gateways, by `client_id`, and the scales that each may send for; without it a gateway may send for every scale',
  ),
  STEELYARD_SIGNIN_ISSUER: safeUrl
    .refine((text) => !/[?#]/.test(text), { error: 'must have no query and no fragment, as its tokens say it in `iss`' })
    .optional()
    .describe(
      'with `jwt`: OpenID provider where people sign in to the pages, exactly as its tokens say it in `iss`; with it goes a client id, and unless set nobody is let in to the pages',
    ),
  STEELYARD_SIGNIN_CLIENT_ID: z
    .string()
    .optional()
    .describe(
      'what that provider knows the pages as; register `/review/signed-in` there to come back to, and `/review/signed-out` after signing out',
    ),
  STEELYARD_SIGNIN_CLIENT_SECRET_FILE: file(
    'path of a file with the secret of that client, read again at each sign-in; a public client (PKCE alone) without it',
  ),
  STEELYARD_SIGNIN_SCOPE: z
    .string()
    .refine((text) => text.split(' ').includes('openid'), {
      error: 'must name the scope openid, without which nobody is told who signs in',
    })
    .default('openid profile')
    .describe('scopes to ask that provider for; add the one that brings the claim of roles, where it needs one'),
  STEELYARD_SIGNIN_ROLES_CLAIM: claimValue
    .default('roles')
    .describe(
      'claim of the identity token, or else of userinfo, that lists the roles of a person; `realm_access.roles` for a claim within another',
    ),
  STEELYARD_SIGNIN_REVIEWER: claimValue.default('reviewer').describe('value of that claim which lets a person decide on held readings'),
  STEELYARD_SIGNIN_ENGINEER: claimValue
    .default('engineer')
    .describe('value of that claim which lets a person look after scales and service'),
  STEELYARD_RATE_LIMIT: wholeNumber(1, 1_000_000)
    .default('6000')
    .describe('requests that one client may make in a minute; beyond it the answer is 429 with `Retry-After`'),
  OTEL_EXPORTER_OTLP_ENDPOINT: httpUrl
    .optional()
    .describe('base of an OpenTelemetry collector (OTLP over HTTP); traces are sent when it is set'),
  STEELYARD_GROWTH_TABLES: z
    .string()
    .optional()
    .describe('folder with the published CDC 2000 and WHO tables (.csv, .tsv, .txt); without it children are judged by age bands'),
  STEELYARD_LOG_LEVEL: z
    .enum(LOG_LEVELS, { error: `must be one of ${LOG_LEVELS.join(', ')}` })
    .default('info')
    .describe('how much is logged; one JSON object a line on standard output'),
  STEELYARD_MLLP_PORT: port
    .optional()
    .describe('port for HL7 v2 (ORU^R01) over MLLP; off when unset; with `STEELYARD_AUTH=jwt` gateways show certificates there'),
  STEELYARD_MLLP_HOST: z
    .string()
    .optional()
    .describe('address to listen on for MLLP, if it is not `STEELYARD_HOST`; a non-loopback one is refused while `STEELYARD_AUTH=none`'),
  STEELYARD_MLLP_CERT_FILE: file(
    'path of our certificate (PEM) for MLLP over TLS; with it goes its key; both are read again when they change',
  ),
  STEELYARD_MLLP_KEY_FILE: file('path of the private key (PEM) of that certificate'),
  STEELYARD_MLLP_CA_FILE: file('path of the certificates (PEM) that vouch for those of gateways; with it nobody else may connect'),
});

export type Settings = z.infer<typeof Environment>;

export function isLoopback(host: string): boolean {
  if (host === 'localhost') return true;
  const loopback = new BlockList();
  loopback.addSubnet('127.0.0.0', 8, 'ipv4');
  loopback.addAddress('::1', 'ipv6');
  const family = isIP(host);
  return family !== 0 && loopback.check(host, family === 4 ? 'ipv4' : 'ipv6');
}

/** Nobody on the way can read what is sent there. */
export function isSafe(text: string): boolean {
  const { protocol, hostname } = new URL(text);
  return protocol === 'https:' || (protocol === 'http:' && isLoopback(hostname.replace(/^\[|\]$/g, '')));
}

export function isPostgresUrl(text: string): boolean {
  if (!/^postgres(ql)?:\/\//i.test(text) || !URL.canParse(text)) return false;
  const { hostname, pathname } = new URL(text);
  return hostname !== '' && pathname.length > 1;
}

/** A URL or connection string with a slip in it, which taken for the name of a file would have its password shown as one. */
export function mayBeMistakenUrl(text: string): boolean {
  return text.includes('://') || /^\s*postgres(ql)?:/i.test(text) || /\bpassword\s*=/i.test(text);
}

function hasCredentials(text: string): boolean {
  if (!URL.canParse(text)) return false;
  const { username, password } = new URL(text);
  return username !== '' || password !== '';
}

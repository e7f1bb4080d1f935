/**
 * The gateways of a site: which scales each may send for, and what is expected of it. Read when the
 * service starts, and again when it is told to (SIGHUP), as the policy is.
 */
import { readFileSync } from 'node:fs';
import { z } from 'zod';
import { ConfigError } from './config.ts';
import { parseExactJson, stringifyExact } from './core/json.ts';
import { nearestName } from './core/nearest-name.ts';
import { sentenceOf, type FileProblem } from './policy-file.ts';

const LONGEST_NAME = 200;
const MOST_DEVICES = 10_000;
/** One in use and one that replaces it are two. */
const MOST_CERTIFICATES = 10;
const DNS_NAME = /^(?=.{1,253}$)[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?)*$/i;

/** A schema whose every fault is told in these words. */
const said = (error: string) => ({ error });
const name = z.string().min(1).max(LONGEST_NAME);
const wholeNumber = (to: number) => {
  const words = said(`must be a whole number from 1 to ${to}`);
  return z.int(words).min(1, words).max(to, words);
};
const deviceId = said('must be the id of a Device, such as "scale-1"');
const devices = said(`must be a list of the Devices that the gateway may send for, ${MOST_DEVICES} at most, such as ["scale-1"]`);
const label = said(`must be a text of 1 to ${LONGEST_NAME} characters`);
const zone = said('must be an IANA time zone, such as "Europe/Lisbon"');
const certificate = said('must be a DNS name, as it stands in the certificate of the gateway, such as "gateway-3.ward.example"');
const certificates = said(`must be a list of DNS names, ${MOST_CERTIFICATES} at most, such as ["gateway-3.ward.example"]`);
const systems = said('must be an object that gives each local name of HL7 v2 its URI, such as {"WARD": "urn:oid:2.999.1"}');
const system = said('must be a URI, such as "urn:oid:2.999.1"');

const MEMBERS = {
  /** Ids of our Devices. */
  devices: z.array(z.string(deviceId).regex(/^[A-Za-z0-9.-]{1,64}$/, deviceId), devices).max(MOST_DEVICES, devices),
  name: z.string(label).min(1, label).max(LONGEST_NAME, label).optional(),
  /** A gateway that was not heard of for so long is said to be silent. */
  silentAfterMinutes: wholeNumber(7 * 24 * 60).optional(),
  requestsPerMinute: wholeNumber(1_000_000).optional(),
  /** DNS names in the certificates with which the gateway sends HL7 v2 over MLLP. */
  certificates: z.array(z.string(certificate).regex(DNS_NAME, certificate), certificates).max(MOST_CERTIFICATES, certificates).optional(),
  /** IANA time zone of the ward, for times of HL7 v2 without an offset. */
  zone: z.string(zone).refine(isTimeZone, zone).optional(),
};

const Gateway = z.strictObject(MEMBERS, said('must be an object with the "devices" of the gateway'));

const gateways = said(`must be an object that names each gateway by its client_id, a text of 1 to ${LONGEST_NAME} characters`);
const GatewaysFile = z.strictObject(
  {
    gateways: z.record(name, Gateway, gateways),
    /** URIs of what assigning authorities are called in HL7 v2. */
    systems: z.record(name, z.string(system).regex(/^[a-z][a-z0-9+.-]*:\S+$/i, system), systems).optional(),
  },
  said('must hold one JSON object with the member "gateways"'),
);

export type Gateway = Readonly<z.infer<typeof Gateway>>;
/** By `client_id`. */
export type Gateways = ReadonlyMap<string, Gateway>;

/** What came of reading the file again. */
export type GatewaysReload =
  | { readonly kind: 'loaded'; readonly gateways: number }
  | { readonly kind: 'kept'; readonly problems: readonly FileProblem[] }
  | { readonly kind: 'no-file' };

export class GatewaysHolder {
  readonly #file: string | undefined;
  #current: Gateways | undefined;
  #systems: ReadonlyMap<string, string> = new Map();
  #lastReloadFailed = false;

  /** @throws ConfigError with a sentence for each thing that is wrong in the file */
  constructor(file: string | undefined) {
    this.#file = file;
    if (file === undefined) return;
    const read = readGateways(file);
    if (!read.ok) {
      throw new ConfigError(read.problems.map((problem) => sentenceOf(problem, 'STEELYARD_GATEWAYS')));
    }
    this.#current = read.gateways;
    this.#systems = read.systems;
  }

  /** URIs of what assigning authorities are called in HL7 v2. */
  get systems(): ReadonlyMap<string, string> {
    return this.#systems;
  }

  /** Undefined when there is no file: then a gateway may send for every scale. */
  get current(): Gateways | undefined {
    return this.#current;
  }

  get lastReloadFailed(): boolean {
    return this.#lastReloadFailed;
  }

  /** A valid file is in force for all calls that begin after this; a broken one changes nothing. */
  reload(): GatewaysReload {
    if (this.#file === undefined) return { kind: 'no-file' };
    const read = readGateways(this.#file);
    this.#lastReloadFailed = !read.ok;
    if (!read.ok) return { kind: 'kept', problems: read.problems };
    this.#current = read.gateways;
    this.#systems = read.systems;
    return { kind: 'loaded', gateways: read.gateways.size };
  }
}

type Read =
  | { readonly ok: true; readonly gateways: Gateways; readonly systems: ReadonlyMap<string, string> }
  | { readonly ok: false; readonly problems: readonly FileProblem[] };

function readGateways(file: string): Read {
  let text: string;
  try {
    text = readFileSync(file, 'utf8');
  } catch (cause) {
    return { ok: false, problems: [{ problem: `cannot be read (${(cause as NodeJS.ErrnoException).code ?? 'unknown reason'}): ${file}` }] };
  }
  const parsed = parseExactJson(text);
  if (!parsed.ok) {
    const { reason, line, column } = parsed.problem;
    return { ok: false, problems: [{ problem: `is not acceptable JSON: ${reason}, line ${line}, column ${column}` }] };
  }
  // plain numbers are wanted here; names are known by now to stand there once
  const result = GatewaysFile.safeParse(JSON.parse(stringifyExact(parsed.value)));
  if (result.success) {
    const gateways = new Map(Object.entries(result.data.gateways));
    const twice = certificateTwice(gateways);
    if (twice !== undefined) return { ok: false, problems: [twice] };
    return { ok: true, gateways, systems: new Map(Object.entries(result.data.systems ?? {})) };
  }
  return { ok: false, problems: problemsIn(result.error.issues) };
}

/** A certificate has to say which gateway it is. */
function certificateTwice(gateways: Gateways): FileProblem | undefined {
  const owners = new Map<string, string>();
  for (const [client, { certificates: names = [] }] of gateways) {
    for (const one of names.map((dnsName) => dnsName.toLowerCase())) {
      if (owners.get(one) !== undefined && owners.get(one) !== client)
        return {
          name: `gateways.${client}.certificates`,
          problem: 'names a certificate that another gateway has too; each has to have its own',
        };
      owners.set(one, client);
    }
  }
  return undefined;
}

/** A sentence for each cause: of a long list its first fault, and no word on what is only missing because its name was misspelt. */
function problemsIn(issues: readonly z.core.$ZodIssue[]): FileProblem[] {
  const told = new Map<string, FileProblem>();
  const meant = new Set<string>();
  const placeOf = (path: readonly PropertyKey[]): string => path.map(String).join('.');
  for (const issue of issues) {
    if (issue.code !== 'unrecognized_keys') continue;
    for (const key of issue.keys) {
      const place = placeOf([...issue.path, key]);
      const near = nearestName(key, issue.path.length === 0 ? ['gateways', 'systems'] : Object.keys(MEMBERS));
      if (near !== undefined) meant.add(placeOf([...issue.path, near]));
      told.set(place, {
        name: place,
        problem: `no member has this name; ${near === undefined ? 'take it out' : `did you mean ${JSON.stringify(near)}?`}`,
      });
    }
  }
  for (const { code, path, message } of issues) {
    const member = placeOf(path.slice(0, DEPTH_OF_MEMBERS));
    if (code === 'unrecognized_keys' || told.has(member) || meant.has(member)) continue;
    told.set(member, { ...(path.length > 0 && { name: placeOf(path) }), problem: message });
  }
  return [...told.values()];
}

/** gateways, client_id, member. */
const DEPTH_OF_MEMBERS = 3;

function isTimeZone(zone: string): boolean {
  try {
    new Intl.DateTimeFormat('en', { timeZone: zone });
    return true;
  } catch {
    return false;
  }
}

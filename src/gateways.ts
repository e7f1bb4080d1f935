/**
 * The gateways of a site: which scales each may send for, and what is expected of it. Read when the
 * service starts, and again when it is told to (SIGHUP), as the policy is.
 */
import { readFileSync } from 'node:fs';
import { z } from 'zod';
import { ConfigError } from './config.ts';
import { parseExactJson, stringifyExact } from './core/json.ts';
import type { FileProblem } from './policy-file.ts';

const name = z.string().min(1).max(200);
const wholeNumber = (to: number) => z.int().min(1).max(to);

const Gateway = z.strictObject({
  /** Ids of our Devices. */
  devices: z.array(z.string().regex(/^[A-Za-z0-9.-]{1,64}$/, 'must be the id of a Device')).max(10_000),
  name: name.optional(),
  /** A gateway that was not heard of for so long is said to be silent. */
  silentAfterMinutes: wholeNumber(7 * 24 * 60).optional(),
  requestsPerMinute: wholeNumber(1_000_000).optional(),
  /** IANA time zone of the ward. */
  zone: z.string().refine(isTimeZone, 'must be an IANA time zone').optional(),
});

const GatewaysFile = z.strictObject({ gateways: z.record(name, Gateway) });

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
  #lastReloadFailed = false;

  /** @throws ConfigError with a sentence for each thing that is wrong in the file */
  constructor(file: string | undefined) {
    this.#file = file;
    if (file === undefined) return;
    const read = readGateways(file);
    if (!read.ok) {
      const place = (where: string | undefined): string => (where === undefined ? '' : ` ${where}:`);
      throw new ConfigError(read.problems.map(({ name: where, problem }) => `STEELYARD_GATEWAYS:${place(where)} ${problem}.`));
    }
    this.#current = read.gateways;
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
    return { kind: 'loaded', gateways: read.gateways.size };
  }
}

type Read = { readonly ok: true; readonly gateways: Gateways } | { readonly ok: false; readonly problems: readonly FileProblem[] };

function readGateways(file: string): Read {
  let text: string;
  try {
    text = readFileSync(file, 'utf8');
  } catch (cause) {
    return { ok: false, problems: [{ problem: `cannot be read (${(cause as NodeJS.ErrnoException).code ?? 'unknown reason'})` }] };
  }
  const parsed = parseExactJson(text);
  if (!parsed.ok) {
    const { reason, line, column } = parsed.problem;
    return { ok: false, problems: [{ problem: `is not acceptable JSON: ${reason}, line ${line}, column ${column}` }] };
  }
  // plain numbers are wanted here; names are known by now to stand there once
  const result = GatewaysFile.safeParse(JSON.parse(stringifyExact(parsed.value)));
  if (result.success) return { ok: true, gateways: new Map(Object.entries(result.data.gateways)) };
  return { ok: false, problems: result.error.issues.map(({ path, message }) => ({ name: path.map(String).join('.'), problem: message })) };
}

function isTimeZone(zone: string): boolean {
  try {
    new Intl.DateTimeFormat('en', { timeZone: zone });
    return true;
  } catch {
    return false;
  }
}

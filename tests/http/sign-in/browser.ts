/**
 * As much of a browser as signing in needs: cookies with Path, SameSite and Max-Age, redirects, refreshes,
 * `Origin` and `Sec-Fetch-Site` (RFC 6265bis section 5.8.3; Fetch Metadata Request Headers). Every
 * port is a site of its own here, as the provider and the pages are in life.
 */
import { send, type Answer } from '../edge.ts';

export interface Cookie {
  readonly name: string;
  readonly value: string;
  /** Names of the attributes in lower case, with their values. */
  readonly attributes: ReadonlyMap<string, string>;
}

export interface Visit extends Answer {
  readonly url: string;
  /** Every address on the way, the last one too. */
  readonly trail: readonly string[];
}

interface Asking {
  readonly method?: 'GET' | 'POST';
  readonly form?: Readonly<Record<string, string>>;
  /** Origin of the page on which the reader clicked; typed in when absent. */
  readonly from?: string;
  /** Follow redirects and refreshes; true when absent. */
  readonly follow?: boolean;
  readonly headers?: Readonly<Record<string, string>>;
}

const MOST_STEPS = 20;

export class Browser {
  readonly #jar = new Map<string, Cookie[]>();

  cookies(origin: string): readonly Cookie[] {
    return this.#jar.get(origin) ?? [];
  }

  cookie(origin: string, name: string): Cookie | undefined {
    return this.cookies(origin).find((one) => one.name === name);
  }

  /** As a site on the same host, or a thief, could. */
  put(origin: string, name: string, value: string, path = '/'): void {
    this.#keep(origin, { name, value, attributes: new Map([['path', path]]) });
  }

  async go(address: string, { method: asked = 'GET', form, from, follow = true, headers = {} }: Asking = {}): Promise<Visit> {
    let [url, method, initiator] = [new URL(address), asked, from];
    let sites = new Set(initiator === undefined ? [] : [initiator]);
    const trail: string[] = [];
    for (let step = 0; step < MOST_STEPS; step += 1) {
      const { origin } = url;
      const isCrossSite = [...sites].some((one) => one !== origin);
      const body = method === 'POST' ? new URLSearchParams(form).toString() : undefined;
      const cookies = this.#sent(url, isCrossSite, method);
      trail.push(url.href);
      const answer = await send(Number(url.port), method, `${url.pathname}${url.search}`, {
        headers: {
          Host: url.host,
          'Sec-Fetch-Site': initiator === undefined ? 'none' : isCrossSite ? 'cross-site' : 'same-origin',
          ...(cookies !== '' && { Cookie: cookies }),
          ...(body !== undefined && { 'Content-Type': 'application/x-www-form-urlencoded', Origin: initiator ?? 'null' }),
          ...headers,
        },
        ...(body !== undefined && { body }),
      });
      for (const line of answer.headers['set-cookie'] ?? []) this.#keep(origin, parseCookie(line));
      const refreshed = /<meta http-equiv="refresh" content="0; url=([^"]+)" ?\/?>/.exec(answer.text)?.[1]?.replaceAll('&amp;', '&');
      const next = answer.headers.location ?? refreshed;
      if (!follow || next === undefined) return { ...answer, url: url.href, trail };
      // a page that leads on is where the journey begins anew; a redirect is a part of it
      if (answer.headers.location === undefined) [initiator, sites] = [origin, new Set([origin])];
      else sites.add(origin);
      [url, method] = [new URL(next, url), 'GET'];
    }
    throw new Error(`led on and on: ${trail.join(' ')}`);
  }

  #keep(origin: string, cookie: Cookie): void {
    const others = this.cookies(origin).filter(({ name }) => name !== cookie.name);
    const isOver = cookie.attributes.get('max-age') === '0' || Date.parse(cookie.attributes.get('expires') ?? '') < Date.now();
    this.#jar.set(origin, isOver ? others : [...others, cookie]);
  }

  #sent({ origin, pathname }: URL, isCrossSite: boolean, method: string): string {
    return this.cookies(origin)
      .filter(({ attributes }) => pathname.startsWith(attributes.get('path') ?? '/'))
      .filter(({ attributes }) => !isCrossSite || (attributes.get('samesite')?.toLowerCase() !== 'strict' && method === 'GET'))
      .map(({ name, value }) => `${name}=${value}`)
      .join('; ');
  }
}

export function parseCookie(line: string): Cookie {
  const [pair = '', ...rest] = line.split(';').map((part) => part.trim());
  const at = pair.indexOf('=');
  const attributes = rest.map((part): [string, string] => {
    const [name = '', ...value] = part.split('=');
    return [name.toLowerCase(), value.join('=')];
  });
  return { name: pair.slice(0, at), value: pair.slice(at + 1), attributes: new Map(attributes) };
}

/**
 * A real browser for tests: Debian's Chromium, installed when it is not there and the tests may do
 * that (as root, with a package source in reach). Where neither is so, browser tests are skipped to
 * be seen, and fail where `CI` is set: there nothing may be left out.
 */
import { execFileSync } from 'node:child_process';
import { existsSync } from 'node:fs';
import { chromium, type Browser, type Page } from 'playwright-core';

const PATH = '/usr/bin/chromium';
const FLAGS = [
  '--no-sandbox',
  '--disable-gpu',
  '--disable-quic',
  '--disable-background-networking',
  '--disable-component-update',
  '--disable-sync',
];
const LONGEST_INSTALL_MS = 240_000;

/** Why no browser can be had; undefined when one can. */
export function whyNoBrowser(): string | undefined {
  if (existsSync(PATH)) return undefined;
  try {
    const quietly = { stdio: 'ignore', timeout: LONGEST_INSTALL_MS, env: { ...process.env, DEBIAN_FRONTEND: 'noninteractive' } } as const;
    execFileSync('apt-get', ['update', '-q'], quietly);
    execFileSync('apt-get', ['install', '-y', '-q', '--no-install-recommends', 'chromium'], quietly);
  } catch {
    return `There is no ${PATH}, and it could not be installed (apt-get install chromium).`;
  }
  return existsSync(PATH) ? undefined : `There is no ${PATH}.`;
}

/** With `keepsPagesForBack` pages that were left are kept whole for the back button, which playwright-core turns off otherwise. */
export function launch({ keepsPagesForBack = false }: { readonly keepsPagesForBack?: boolean } = {}): Promise<Browser> {
  return chromium.launch({
    executablePath: PATH,
    args: FLAGS,
    ...(keepsPagesForBack && { ignoreDefaultArgs: ['--disable-back-forward-cache'] }),
  });
}

const LONGEST_BUSY_MS = 60_000;

/** Goes to a page, again while the service says that it is too busy: a machine that runs tests may be. Throws on any other error. */
export async function goTo(page: Page, url: string): Promise<void> {
  const until = Date.now() + LONGEST_BUSY_MS;
  for (;;) {
    const status = (await page.goto(url))?.status() ?? 0;
    if (status === 200) return;
    if (status !== 503 || Date.now() > until) throw new Error(`a page was answered ${status}`);
    await page.waitForTimeout(500);
  }
}

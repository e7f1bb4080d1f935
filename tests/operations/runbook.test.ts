/** The runbook says what is: every alert has its page, and what a page names exists (its commands: `tests/document-commands.test.ts`). */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { describeConfig } from '../../src/config.ts';
import { ALERTS, ROOT, RULE_FILE } from './alert-rules.ts';
import { metricsIn } from './monitor.ts';
import { toldNames } from './told-names.ts';

const FOLDER = join(ROOT, 'docs/runbook');
const PAGES = readdirSync(FOLDER).filter((name) => name.endsWith('.md'));
const read = (page: string): string => readFileSync(join(FOLDER, page), 'utf8');

describe('the alert rules', () => {
  test.each(ALERTS)('$alert is complete, and leads to a page that names it', ({ alert, expr, labels, annotations }) => {
    expect(alert).toMatch(/^Steelyard[A-Z][A-Za-z]+$/);
    expect(['page', 'ticket']).toContain(labels.severity);
    expect(annotations.summary).toMatch(/^[A-Z].+\.$/);
    expect(expr).not.toBe('');
    expect(existsSync(join(ROOT, annotations.runbook)), annotations.runbook).toBe(true);
    expect(readFileSync(join(ROOT, annotations.runbook), 'utf8')).toContain(`Alert \`${alert}\`.`);
    expect(read('README.md')).toContain(`| \`${alert}\` | ${labels.severity} |`);
  });

  test('fire within a minute of what they speak of', () => {
    const seconds = (text = '0s'): number => Number(/^(\d+)s$/.exec(text)?.[1]);
    expect(seconds(RULE_FILE.groups[0]?.interval)).toBe(15);
    for (const rule of ALERTS) expect(seconds(rule.for) + 15, rule.alert).toBeLessThanOrEqual(60);
  });

  test('ask only for metrics that the service tells', async () => {
    const told = await toldNames();
    expect(ALERTS.flatMap(({ expr }) => metricsIn(expr)).filter((name) => !told.has(name))).toEqual([]);
  });
});

describe('the pages', () => {
  test('are all in the list', () => {
    const linked = new Set([...read('README.md').matchAll(/\]\(([\w-]+\.md)\)/g)].map(([, page]) => page));
    expect(PAGES.filter((page) => page !== 'README.md' && !linked.has(page))).toEqual([]);
  });

  test.each(PAGES)('%s links only to what is there', (page) => {
    const links = [...read(page).matchAll(/\]\(([^)#]+)\)/g)].map(([, target]) => String(target));
    for (const link of links) expect(existsSync(join(FOLDER, link)), link).toBe(true);
  });

  test.each(PAGES.filter((page) => page !== 'README.md'))(
    '%s says what it means, where to look, what to do, how it clears, what to leave alone',
    (page) => {
      const text = read(page);
      const parts = ['\n**For the ward.** ', '\n## Look\n', '\n## Do\n', '\n**Clears** ', '\n**Careful.** '].map((part) =>
        text.indexOf(part),
      );
      expect(
        parts.every((at, index) => at > (parts[index - 1] ?? 0)),
        String(parts),
      ).toBe(true);
    },
  );

  test.each(PAGES)('%s names only metrics and settings that exist', async (page) => {
    const told = await toldNames();
    // a name before a bracket or at the end of a search is the beginning of several
    const metrics = [...read(page).matchAll(/\bsteelyard_[a-z_]+/g)].map(([name]) => name);
    const unknown = metrics.filter((name) => ![...told].some((one) => one === name || one.startsWith(name)));
    const settings = new Set(describeConfig().map(({ name }) => name));
    const unset = [...read(page).matchAll(/\b(?:STEELYARD|OTEL)_[A-Z_]+\b/g)].map(([name]) => name).filter((name) => !settings.has(name));
    expect([unknown, unset]).toEqual([[], []]);
  });
});

import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { html, visible } from '../../src/review/html.ts';
import { toCsv } from '../../src/review/csv.ts';

describe('HTML as a template', () => {
  it('takes what is put in for text, and what it made itself for HTML', () => {
    const name = '<img src=x onerror=alert(1)> & "Ada"\'s';
    expect(html`<p title="${name}">${name}</p>`.html).toBe(
      '<p title="&lt;img src=x onerror=alert(1)&gt; &amp; &quot;Ada&quot;&#39;s">&lt;img src=x onerror=alert(1)&gt; &amp; &quot;Ada&quot;&#39;s</p>',
    );
    const items = ['a', 'b'].map((text) => html`<i>${text}</i>`);
    expect(html`<b>${items}</b>`.html).toBe('<b><i>a</i><i>b</i></b>');
    expect(html`${undefined}${false}${0}`.html).toBe('0');
  });

  it('lets nothing that is put in begin or end a tag or an attribute', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary' }), (text) => {
        expect(html`${text}`.html).not.toMatch(/[<>"']|&(?!(?:amp|lt|gt|quot|#39);)/);
      }),
      { numRuns: 500, seed: 5 },
    );
  });

  it.each([
    ['O\u202ebert', 'O[U+202E]bert'],
    ['a\u0000b\u0007c', 'a[U+0000]b[U+0007]c'],
    ['zero\u200bwidth\ufeff', 'zero[U+200B]width[U+FEFF]'],
    ['Zoë Ångström 李\n\t70.0\u00a0kg', 'Zoë Ångström 李\n\t70.0\u00a0kg'],
  ])('shows what nobody could see: %j', (text, shown) => {
    expect(visible(text)).toBe(shown);
  });
});

describe('a table for a spreadsheet', () => {
  it('is comma-separated values as RFC 4180 has them', () => {
    expect(
      toCsv(
        ['a', 'b'],
        [
          ['1,5', 'say "x"'],
          ['two\nlines', ''],
        ],
      ),
    ).toBe('\ufeffa,b\r\n"1,5","say ""x"""\r\n"two\nlines",\r\n');
  });

  // OWASP, "CSV Injection": the characters that begin a formula, in half and full width, also behind blanks; ASVS 5.0.0, 1.2.10: the null character
  it.each(['\0=1', '=1+1', '+1+1', '-1+1', '@SUM(A1)', '\t=1', '\r=1', ' =1', '＝1', '＋1', '－1', '＠1', '-', '+'])(
    'holds no formula: %j',
    (text) => {
      const [, row = ''] = toCsv(['a'], [[text]]).split('\r\n', 2);
      expect(row.replace(/^"/, '')).toMatch(/^'/);
    },
  );

  it.each(['70.0', '-0.5', '+17.9', '0', 'Ada', 'a=b'])('leaves %j as it is', (text) => {
    expect(toCsv(['a'], [[text]])).toBe(`\ufeffa\r\n${text}\r\n`);
  });
});

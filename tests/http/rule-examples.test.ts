/** The examples on the pages of the rules. */
import { describe, expect, test } from 'vitest';
import { loadRuleExamples, readRuleExample, type RuleExample, type RuleExamples } from '../../src/rule-examples.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { startEdge, type Edge } from './edge.ts';

/** Those of the project: some hundred and thirty folders, read once. */
const INSTALLED = loadRuleExamples();
const HOSTILE = '<script>alert("1")</script> & \'2\'';
const ESCAPED = '&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt; &amp; &#39;2&#39;';
const inJson = JSON.stringify(HOSTILE);

/** An example in which everything that a golden file may write is hostile. */
function example(
  verdict: 'accepted' | 'held' | 'refused',
  request = `{"method":"POST","url":"Observation","body":{"a":${inJson},"value":70.0}}`,
): RuleExample {
  return readRuleExample(
    `{"story":${inJson},"now":"2026-03-02T10:00:00Z","policy":{${inJson}:0.50},"imported":[{"imported":${inJson}}],` +
      `"before":[{"method":"PUT","url":${inJson},"ifMatch":${inJson},"ifNoneExist":${inJson},"at":"2026-03-01T10:00:00Z","body":{"before":${inJson}}}],` +
      `"request":${request},` +
      `"answer":{"status":299,"verdict":"${verdict}","issues":[{"rule":${inJson},"outcome":"hold","expression":${inJson},"diagnostics":${inJson}}]}}`,
    'test',
  );
}

const pageOf = async (edge: Edge, id: string): Promise<string> =>
  (await edge.call('GET', `/rules/${id}`, { headers: { Accept: 'text/html' } })).text;
const withExamples = (examples: RuleExamples): Promise<Edge> => startEdge({ serving: { examples: new Map([['time-old', examples]]) } });

describe('the page of a rule', () => {
  test.each(RULES.map(({ id }) => id))('%s shows a nurse both stories and every sentence of the answers', async (id) => {
    const edge = await startEdge({ serving: { examples: INSTALLED } });
    const text = textIn(await pageOf(edge, id));
    for (const { story, answer } of Object.values(INSTALLED.get(id) ?? {})) {
      for (const sentence of [story, ...answer.issues.map(({ diagnostics }) => diagnostics)]) expect(text).toContain(sentence);
    }
    expect(text).not.toContain('No example is installed.');
  });

  test('shows an engineer the calls with their headers and digits, and the issues, folded away', async () => {
    const edge = await startEdge({ serving: { examples: INSTALLED } });
    const page = await pageOf(edge, 'bmi-not-correctable');
    const [folded = ''] = page.match(/<details>.*?<\/details>/s) ?? [];
    expect(folded).toContain('<summary>The request and its answer in JSON</summary>');
    const text = textIn(folded);
    expect(text).toContain('PUT /fhir/Patient/ebba-imaginary\n\n{');
    expect(text).toContain('PUT /fhir/Observation/bmi-reading-2\nIf-Match: W/"1"\n\n{');
    expect(text).toContain('"value": 23.0,');
    expect(text).toContain('"rule": "bmi-not-correctable"');
    expect(text).toContain('status 422');
    expect(textIn(await pageOf(edge, 'several-matches'))).toContain('If-None-Exist: identifier=https://harbourlight.example/');
    expect(textIn(await pageOf(edge, 'reference-unresolved'))).toContain('POST /fhir\n\n{');
    expect(textIn(await pageOf(edge, 'metric-only'))).toContain('under the built-in policy with metricOnly = true.');
  });

  test('shows as it was sent what is no JSON', async () => {
    const edge = await startEdge({ serving: { examples: INSTALLED } });
    const { request } = INSTALLED.get('json-unreadable')?.fail ?? {};
    expect(request).toHaveProperty('text');
    expect(textIn(await pageOf(edge, 'json-unreadable'))).toContain(`POST /fhir/Observation\n\n${(request as { text: string }).text}`);
  });

  test.each(['accepted', 'held', 'refused'] as const)('escapes everything in an example that is %s', async (verdict) => {
    const text = `{"method":"POST","url":${inJson},"text":${inJson}}`;
    const page = await pageOf(await withExamples({ pass: example(verdict), fail: example(verdict, text) }), 'time-old');
    expect(page.match(/<script/g)).toHaveLength(1);
    expect(page.replaceAll(ESCAPED, '').replaceAll(ESCAPED.replaceAll('&quot;', '\\&quot;'), '')).not.toContain('alert');
    expect(
      page.match(
        /<(?!\/?(?:html|head|meta|title|style|body|main|h1|h2|h3|p|a|table|caption|header|nav|footer|link|script|svg|path|circle|thead|tbody|tr|th|td|ul|li|strong|details|summary|pre)\b|!doctype)[^>]*>/g,
      ),
    ).toBe(null);
  });

  test('says of a rule that only remarks that it remarks', async () => {
    expect(await pageOf(await withExamples({ fail: example('accepted') }), 'time-old')).toContain('<h3>One that it remarks on</h3>');
    for (const verdict of ['held', 'refused'] as const)
      expect(await pageOf(await withExamples({ fail: example(verdict) }), 'time-old')).toContain('<h3>One that does not pass</h3>');
  });

  test('works without examples, and says that there is none', async () => {
    const none = await pageOf(await startEdge({ serving: { examples: new Map() } }), 'time-old');
    expect(none.match(/No example is installed\./g)).toHaveLength(1);
    expect(none).toContain('Measured long ago');
    expect(none).not.toContain('<details>');
    const half = await pageOf(await withExamples({ pass: example('accepted') }), 'time-old');
    expect(half.match(/No example is installed\./g)).toHaveLength(1);
    expect(half.match(/<details>/g)).toHaveLength(1);
  });

  test('is under the policy of the pages: the style and the program of this service, nothing inline and no frame', async () => {
    const edge = await startEdge({ serving: { examples: INSTALLED } });
    const { text, headers } = await edge.call('GET', '/rules/precision-step', { headers: { Accept: 'text/html' } });
    const policy = String(headers['content-security-policy']);
    for (const directive of ["default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'"])
      expect(policy).toContain(directive);
    expect(text).not.toMatch(
      /<script(?! src="\/review\/assets\/review\.js")|<style|<iframe|<img| style=| on[a-z]+=|https?:\/\/[^<]*\.(js|css)/,
    );
    expect(text).toContain('Verify a held reading by weighing again.');
    // it is for everybody, and nobody signs out of it
    expect(text).not.toMatch(/<form|Sign out/);
  });
});

describe('the JSON of a rule', () => {
  test('carries both examples as their files hold them, digits and all', async () => {
    const edge = await startEdge({ serving: { examples: INSTALLED } });
    const { text } = await edge.call('GET', '/rules/written-decimals');
    const { examples } = JSON.parse(text) as { examples: Record<string, RuleExample> };
    expect(Object.keys(examples).sort()).toEqual(['fail', 'pass']);
    expect(examples['fail']).toMatchObject({
      story: 'The display showed 70.0 for Gita, and the nurse typed 70.',
      request: { method: 'POST', url: 'Observation', body: { resourceType: 'Observation' } },
      answer: { status: 201, verdict: 'accepted', issues: [{ rule: 'written-decimals', outcome: 'inform' }] },
    });
    expect(text.match(/"value":70\.0,/g)).toHaveLength(1);
  });

  test('has no examples where none are installed, and the list has none at all', async () => {
    const without = JSON.parse((await (await startEdge()).call('GET', '/rules/time-old')).text) as object;
    expect(without).toMatchObject({ id: 'time-old', examples: {} });
    const edge = await startEdge({ serving: { examples: INSTALLED } });
    const list = JSON.parse((await edge.call('GET', '/rules')).text) as { rules: object[] };
    expect(list.rules).toHaveLength(RULES.length);
    expect(list.rules.filter((rule) => 'examples' in rule)).toEqual([]);
    const page = (await edge.call('GET', '/rules', { headers: { Accept: 'text/html' } })).text;
    expect(page).not.toContain('<details>');
  });
});

/** What a browser shows of a page's text. */
function textIn(html: string): string {
  return html
    .replaceAll(/<[^>]*>/g, '\u0000')
    .replaceAll('&lt;', '<')
    .replaceAll('&gt;', '>')
    .replaceAll('&quot;', '"')
    .replaceAll('&#39;', "'")
    .replaceAll('&amp;', '&');
}

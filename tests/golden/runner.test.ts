/** What golden files may hold, and what their writer refuses to write. */
import { describe, expect, test } from 'vitest';
import { renewed } from '../../scripts/write-golden.ts';
import { readRuleExample, readRuleStory, type ExampleAnswer } from '../../src/rule-examples.ts';
import { stringifyExact } from '../../src/core/json.ts';
import { height, treeOf, weight } from '../measurements.ts';
import { answerOf } from './runner.ts';

const NOW = '2026-03-02T10:00:00Z';
const ada = { resourceType: 'Patient', id: 'ada', name: [{ text: 'Ada Invented (invented)' }], birthDate: '1980-05-17' };
const PUT_ADA = { method: 'PUT', url: 'Patient/ada', body: ada };
const post = (body: unknown, more: object = {}) => ({ method: 'POST', url: 'Observation', ...more, body });
const put = (id: string, body: object, ifMatch = 'W/"1"') => ({ method: 'PUT', url: `Observation/${id}`, ifMatch, body: { ...body, id } });
const textOf = (members: object): string => stringifyExact({ story: 'Ada stood on the scale.', now: NOW, ...members });
const answer = (members: object): Promise<ExampleAnswer> => answerOf(readRuleStory(textOf(members), 'test'));
const rules = ({ issues }: ExampleAnswer): string[] => issues.map(({ rule }) => rule);

describe('the runner', () => {
  test('gives the status, the verdict and every issue in order', async () => {
    expect(await answer({ before: [PUT_ADA], request: post(weight('70.04')) })).toEqual({
      status: 422,
      verdict: 'refused',
      issues: [
        {
          rule: 'precision-step',
          outcome: 'refuse',
          expression: 'Observation.value.ofType(Quantity).value',
          diagnostics:
            '70.04 kg is not a whole number of 0.1 kg steps (the nearest are 70.0 and 70.1). Send the reading as the device showed it, unconverted and unrounded.',
        },
      ],
    });
  });

  test('keeps written digits: 70.0 is not 70', async () => {
    const before = [PUT_ADA, post(height('170.0', 'cm', { effectiveDateTime: '2026-03-02T07:50:00Z' }))];
    expect(rules(await answer({ before, request: post(weight('70.0')) }))).toEqual(['no-remarks']);
    expect(rules(await answer({ before, request: post(weight('70')) }))).toEqual(['written-decimals']);
  });

  test('gives ids in the order of the requests, so that a correction can name its reading', async () => {
    const before = [PUT_ADA, post(height()), post(weight('71.0'))];
    const corrected = { ...weight('70.0'), status: 'corrected' };
    expect(await answer({ before, request: put('reading-2', corrected) })).toMatchObject({ status: 200, verdict: 'accepted' });
    expect(await answer({ before, request: put('reading-2', corrected, 'W/"7"') })).toMatchObject({
      status: 412,
      verdict: 'refused',
      issues: [{ rule: 'transport-version-conflict', outcome: 'refuse', expression: 'http.If-Match' }],
    });
  });

  test('serves an earlier request at its own time', async () => {
    const lastYear = height('170.0', 'cm', { effectiveDateTime: '2025-09-01T08:00:00Z' });
    const then = post(lastYear, { at: '2025-09-01T08:05:00Z' });
    expect(rules(await answer({ before: [PUT_ADA, then], request: post(weight()) }))).toEqual(['no-remarks']);
    const late = post(lastYear); // received now it is held for its age, and gives no BMI
    expect(rules(await answer({ before: [PUT_ADA, late], request: post(weight()) }))).toEqual(['bmi-not-derived']);
  });

  test('judges by the built-in policy, or by the one that the file makes of it', async () => {
    const pounds = { before: [PUT_ADA], request: post(weight('150.25', '[lb_av]')) };
    expect((await answer(pounds)).verdict).toBe('accepted');
    expect(rules(await answer({ ...pounds, policy: { metricOnly: true } }))).toEqual(['metric-only']);
    expect(rules(await answer({ before: [PUT_ADA], policy: { 'precision.kg': 0.5 }, request: post(weight('70.1')) }))).toEqual([
      'precision-step',
    ]);
    await expect(answer({ ...pounds, policy: { metricsOnly: true } })).rejects.toThrow('metricsOnly: no setting has this name');
  });

  test('takes Bundles, scales and what describes a scale', async () => {
    const scale = { resourceType: 'Device', id: 'scale', status: 'active' };
    const metric = {
      resourceType: 'DeviceMetric',
      id: 'metric',
      type: { text: 'mass' },
      source: { reference: 'Device/scale' },
      category: 'measurement',
    };
    const before = [
      PUT_ADA,
      { method: 'PUT', url: 'Device/scale', body: scale },
      { method: 'PUT', url: 'DeviceMetric/metric', body: metric },
    ];
    const entry = [
      { resource: height(), request: { method: 'POST', url: 'Observation' } },
      { resource: weight('70.0', 'kg', { device: { reference: 'DeviceMetric/metric' } }), request: { method: 'POST', url: 'Observation' } },
    ];
    const bundle = (type: string, entries: object[]) => ({
      method: 'POST',
      url: '',
      body: { resourceType: 'Bundle', type, entry: entries },
    });
    const taken = await answer({ before, request: bundle('batch', entry) });
    expect([taken.status, taken.verdict, rules(taken)]).toEqual([200, 'accepted', ['no-remarks', 'no-remarks']]);
    const faulty = { ...entry[0], resource: height('170.04') };
    expect(await answer({ before, request: bundle('batch', [faulty]) })).toMatchObject({ status: 200, verdict: 'refused' });
    expect(await answer({ before, request: bundle('transaction', [faulty]) })).toMatchObject({
      status: 422,
      verdict: 'refused',
      issues: [{ rule: 'precision-step', expression: 'Bundle.entry[0].resource.value.ofType(Quantity).value' }],
    });
  });

  test('honours the condition of a create', async () => {
    const identifier = [{ system: 'urn:gateway', value: '1' }];
    const before = [PUT_ADA, post(weight('70.0', 'kg', { identifier }))];
    const request = post(weight('71.0'), { ifNoneExist: 'identifier=urn:gateway|1' });
    expect(await answer({ before, request })).toMatchObject({ status: 200, issues: [{ rule: 'resent' }] });
  });

  test('sends what is no JSON to the HTTP edge, headers and all', async () => {
    const text = (content: string, line: object = {}) => ({ method: 'POST', url: 'Observation', ...line, text: content });
    expect(await answer({ request: text('{"resourceType":') })).toMatchObject({
      status: 400,
      verdict: 'refused',
      issues: [{ rule: 'json-unreadable', outcome: 'refuse', expression: 'http.body' }],
    });
    const whole = stringifyExact(weight('70.0'));
    expect(await answer({ before: [PUT_ADA], request: text(whole) })).toMatchObject({ status: 201, verdict: 'accepted' });
    const again = text(whole, { ifNoneExist: 'identifier=urn:gateway|1' });
    const before = [PUT_ADA, post(weight('70.0', 'kg', { identifier: [{ system: 'urn:gateway', value: '1' }] }))];
    expect(await answer({ before, request: again })).toMatchObject({ status: 200, issues: [{ rule: 'resent' }] });
  });

  test('knows readings that the store holds from elsewhere, and no one has judged', async () => {
    const imported = [weight('71.0', 'kg', { identifier: [{ system: 'urn:old', value: '1' }] })];
    const request = put('imported-1', { ...weight('70.0'), status: 'corrected' });
    expect(await answer({ imported, before: [PUT_ADA], request })).toMatchObject({ status: 200, verdict: 'accepted' });
  });

  test.each([
    [
      'an earlier request that is refused',
      { before: [post(weight('70.04'))], request: post(weight()) },
      'before[0] was refused: 70.04 kg is not',
    ],
    ['a call that it does not know', { request: { method: 'POST', url: 'Observation/1/$guess', body: treeOf(weight()) } }, 'CALLS'],
    [
      'a correction of no version',
      { request: { method: 'PUT', url: 'Observation/1', body: treeOf(weight()) } },
      'a correction needs ifMatch',
    ],
    ['a version that is none', { request: put('1', weight(), '1') }, 'ifMatch must be a version'],
    ['an import that is no reading', { imported: [{ ...weight(), status: 'done' }], request: post(weight()) }, 'imported-1 is no FHIR'],
  ])('will not go on after %s', async (_what, members, message) => {
    await expect(answer(members)).rejects.toThrow(message);
  });
});

describe('the writer', () => {
  const speaks = textOf({ before: [PUT_ADA], request: post(weight('70.04')) });
  const silent = textOf({ before: [PUT_ADA], request: post(weight('70.0')) });

  test('writes the answer, and nothing else anew', async () => {
    const written = await renewed(speaks, 'precision-step', 'fail');
    if (!written.ok) expect.fail(written.problem);
    expect(readRuleExample(written.text, 'test')).toEqual({
      ...readRuleStory(speaks, 'test'),
      answer: await answerOf(readRuleStory(speaks, 'test')),
    });
    expect(written.text).toContain('"value": 70.04,');
    const stale = written.text.replace('not a whole number', 'no whole number');
    expect(await renewed(stale, 'precision-step', 'fail')).toEqual(written);
  });

  const impossible = textOf({ before: [PUT_ADA], request: post(weight('700.04')) });
  test.each([
    [
      'a fail file in which the rule is silent',
      silent,
      'precision-step',
      'fail',
      'the rule is silent, and should speak; what speaks is bmi-not-derived',
    ],
    ['a pass file in which the rule speaks', speaks, 'precision-step', 'pass', 'the rule speaks, and should be silent'],
    ['a pass file in which a remark speaks', silent, 'bmi-not-derived', 'pass', 'the rule speaks, and should be silent'],
    ['a pass file that another rule refuses', speaks, 'time-future', 'pass', 'it is refused by precision-step'],
    [
      'a fail file with a second fault',
      impossible,
      'precision-step',
      'fail',
      'it has another fault: value-impossible, mixup-decimal-point',
    ],
    ['a file that is no JSON', '{', 'precision-step', 'fail', 'fail: line 1: this is not well-formed JSON'],
  ] as const)('refuses %s', async (_what, text, rule, side, problem) => {
    expect(await renewed(text, rule, side)).toEqual({ ok: false, problem });
  });

  test('reads a file without its answer, which the service does not', () => {
    expect(() => readRuleStory(speaks, 'draft')).not.toThrow();
    expect(() => readRuleExample(speaks, 'draft')).toThrow('draft: there is no answer');
  });
});

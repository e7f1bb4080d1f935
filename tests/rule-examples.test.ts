import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';
import { stringifyExact, type JsonObject } from '../src/core/json.ts';
import { loadExamplesOf, loadRuleExamples, readRuleExample } from '../src/rule-examples.ts';

const root = mkdtempSync(join(tmpdir(), 'steelyard-rules-'));
afterAll(() => rmSync(root, { recursive: true, force: true }));

const GOOD =
  '{"story":"Ada stood on the scale.","now":"2026-03-02T10:00:00Z","policy":{"metricOnly":true},' +
  '"before":[{"at":"2026-03-01T10:00:00Z","method":"PUT","url":"Patient/ada","ifMatch":"W/\\"1\\"","body":{"resourceType":"Patient"}}],' +
  '"request":{"method":"POST","url":"Observation","ifNoneExist":"identifier=a|b","body":{"value":70.0}},' +
  '"answer":{"status":422,"verdict":"refused","issues":[{"rule":"metric-only","outcome":"refuse","expression":"Observation","diagnostics":"No."}]}}';

function folderWith(name: string, files: Readonly<Record<string, string>>): string {
  const folder = join(root, name);
  for (const [path, text] of Object.entries(files)) {
    mkdirSync(join(folder, path, '..'), { recursive: true });
    writeFileSync(join(folder, path), text);
  }
  return folder;
}

describe('the examples of the rules', () => {
  it('come with the digits that were written, and a status that is a number', () => {
    const { request, answer, before, policy } = readRuleExample(GOOD, 'good');
    expect(stringifyExact((request as { body: JsonObject }).body)).toBe('{"value":70.0}');
    expect(answer.status).toBe(422);
    expect(before?.[0]).toMatchObject({ at: '2026-03-01T10:00:00Z', ifMatch: 'W/"1"' });
    expect(policy).toEqual({ metricOnly: true });
  });

  it('are those of every folder, as far as they are there', () => {
    const folder = folderWith('some', { 'README.md': '', 'one/pass.json': GOOD, 'one/fail.json': GOOD, 'two/fail.json': GOOD });
    const examples = loadRuleExamples(folder);
    expect([...examples].map(([rule, sides]) => [rule, Object.keys(sides)])).toEqual([
      ['one', ['pass', 'fail']],
      ['two', ['fail']],
    ]);
    expect(loadExamplesOf('two', folder)).toEqual(examples.get('two'));
    expect(loadExamplesOf('three', folder)).toEqual({});
  });

  it('are none where an installation has no such folder', () => {
    expect(loadExamplesOf('metric-only', join(root, 'nowhere'))).toEqual({});
    expect(loadRuleExamples(join(root, 'nowhere'))).toEqual(new Map());
  });

  it('name the file that is not as it should be', () => {
    const folder = folderWith('broken', { 'one/fail.json': GOOD.replace('"answer"', '"anwser"') });
    expect(() => loadRuleExamples(folder)).toThrow('rules/one/fail.json: anwser is none of story, now,');
  });

  it.each([
    ['no JSON', '{', 'line 1: this is not well-formed JSON'],
    ['no object', '[]', 'good must be a JSON object'],
    ['no story', GOOD.replace('"Ada stood on the scale."', '1'), 'story must be a text'],
    ['a day for an instant', GOOD.replace('2026-03-02T10:00:00Z', '2026-03-02'), 'now must be a date and time with an offset'],
    ['a day for an earlier instant', GOOD.replace('2026-03-01T10:00:00Z', '2026-03-01'), 'before[0].at must be a date and time'],
    ['another method', GOOD.replace('POST', 'PATCH'), 'request: the method must be POST or PUT'],
    ['a header of another name', GOOD.replace('ifNoneExist', 'ifNonExist'), 'request: ifNonExist is none of method, url,'],
    ['a body and a text', GOOD.replace('"body":{"value":70.0}', '"body":{},"text":""'), 'request: there must be either a body or a text'],
    ['neither', GOOD.replace(',"body":{"value":70.0}', ''), 'request: there must be either a body or a text'],
    [
      'an arrival time of the request itself',
      GOOD.replace('"method":"POST"', '"at":"2026-03-02T10:00:00Z","method":"POST"'),
      'at is none of',
    ],
    ['a policy that is no object', GOOD.replace('{"metricOnly":true}', '[]'), 'policy must be a JSON object'],
    ['a status that is none', GOOD.replace('422', '42'), 'answer.status must be an HTTP status'],
    ['another verdict', GOOD.replace('"refused"', '"denied"'), 'answer.verdict must be one of accepted, held, refused'],
    ['another outcome', GOOD.replace('"refuse"', '"deny"'), 'answer.issues[0].outcome must be one of'],
  ])('must not have %s', (_what, text, problem) => {
    expect(() => readRuleExample(text, 'good')).toThrow(problem);
  });
});

/**
 * Reports for machines, held to what is outside: well-formedness of XML 1.0 (W3C, 5th edition) by a
 * parser and by its production of characters, and the members that SARIF 2.1.0 (OASIS Standard) requires.
 */
import { createRequire } from 'node:module';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { factAndRemedy } from '../../../src/cli/check/checked.ts';
import { uriOf } from '../../../src/cli/check/report-sarif.ts';
import { toXml } from '../../../src/cli/check/xml.ts';
import { bundleText, NOW, observationText, passingFolder, writeIn } from '../command.ts';
import { runHere } from '../in-process.ts';

const folder = passingFolder();
const check = (...args: readonly string[]) => runHere(['check', '--now', NOW, ...args]);
const PATIENT = '{"resourceType":"Patient","id":"p1","name":[{"text":"Imagina Invented"}],"birthDate":"1960-04-01"}';

const SOUND = observationText('weight', '80.0', 'kg');
const CONVERTED = observationText('weight', '20.09414', 'kg');
mkdirSync(join(folder, 'ward'));
const day = writeIn(folder, 'ward/day.ndjson', `${SOUND}\n\n${CONVERTED}\r\n{"resourceType":"Patient"}\n`);
const pretty = writeIn(
  folder,
  'ward/held <&> "5\'.json',
  bundleText('collection', [PATIENT, observationText('weight', '300.0', 'kg')]).replace('"entry"', '\r\n "entry"'),
);
writeIn(folder, 'ward/broken.json', '{\n "resourceType": "Observation",\n "status": \u0001}');

interface XmlElement {
  readonly name: string;
  readonly attributes: Readonly<Record<string, string>>;
  readonly children: XmlElement[];
  text: string;
}

interface SaxParser {
  onerror: (error: Error) => void;
  onopentag: (tag: { name: string; attributes: Record<string, string> }) => void;
  onclosetag: () => void;
  ontext: (text: string) => void;
  write(text: string): SaxParser;
  close(): void;
}

/** Parses strictly: throws for whatever is not well-formed. */
function parseXml(text: string): XmlElement {
  const { parser } = createRequire(import.meta.url)('sax') as { parser: (strict: boolean) => SaxParser };
  // XML 1.0, production 2: what is not one of these characters is in no document
  expect(text).not.toMatch(/[^\t\n\r\u0020-\uD7FF\uE000-\uFFFD\u{10000}-\u{10FFFF}]/u);
  const root: XmlElement = { name: '', attributes: {}, children: [], text: '' };
  const open = [root];
  const reader = parser(true);
  reader.onerror = (error) => {
    throw error;
  };
  reader.onopentag = ({ name, attributes }) => {
    const element: XmlElement = { name, attributes, children: [], text: '' };
    open.at(-1)!.children.push(element);
    open.push(element);
  };
  reader.onclosetag = () => void open.pop();
  reader.ontext = (said) => void (open.at(-1)!.text += said);
  reader.write(text).close();
  expect(root.children).toHaveLength(1);
  return root.children[0]!;
}

describe('XML', () => {
  test('is well-formed whatever is in it, and says it again when it is read', () => {
    const odd = 'a<b>&"\'\t]]>\r\n\u{1F600}\u00A0é';
    const read = parseXml(
      toXml({ name: 'a', attributes: { one: odd, none: undefined }, content: [{ name: 'b', content: odd }, { name: 'c' }] }),
    );
    expect(read.attributes).toEqual({ one: odd });
    expect(read.children.map(({ name, text }) => [name, text])).toEqual([
      ['b', odd],
      ['c', ''],
    ]);
  });

  test('holds no character that it may not hold', () => {
    const read = parseXml(toXml({ name: 'a', attributes: { one: '\u0000\u001B[31m' }, content: '\uD800x\uFFFF\u000B' }));
    expect(read.attributes['one']).toBe('\uFFFD\uFFFD[31m');
    expect(read.text).toBe('\uFFFDx\uFFFD\uFFFD');
  });
});

describe('the report for people', () => {
  test('names the place in the file, the rule, the fact and the remedy', async () => {
    const { exitCode, stdout } = await check(day);
    expect(stdout).toContain(
      `  refused  body weight 20.09414 kg, 2026-03-02T08:00:00Z  line 3\n    error precision-step at Observation.value.ofType(Quantity).value\n      ${day}:3:${CONVERTED.indexOf('20.09414') + 1}\n`,
    );
    expect(stdout).toContain('      → Send the reading as the device showed it');
    expect(stdout).toContain('line 4: unreadable: it is neither an Observation nor a Bundle (resourceType)');
    expect(stdout).toContain('1 accepted, 0 held, 1 refused, 1 unreadable; policy');
    expect(exitCode).toBe(2);
  });

  test('says where what is missing would belong', async () => {
    const file = writeIn(folder, 'missing.json', SOUND.replace('"status":"final",', ''));
    const { stdout } = await check(file);
    expect(stdout).toContain(`${file}:1:1  (not in the text; this is where it would belong)`);
  });

  test('takes a sentence for the fact and the rest for the remedy', () => {
    expect(factAndRemedy('It is 20.09414 kg. Weigh again. Then send it.')).toEqual({
      fact: 'It is 20.09414 kg.',
      remedy: 'Weigh again. Then send it.',
    });
    expect(factAndRemedy('One.')).toEqual({ fact: 'One.', remedy: '' });
  });
});

describe('the JUnit report', () => {
  test('has a suite for each file, a case for each reading, failures and errors, and no name of a person', async () => {
    const { exitCode, stdout } = await check('--format', 'junit', join(folder, 'ward'));
    expect(stdout).not.toMatch(/Imagina|Invented/);
    const suites = parseXml(stdout);
    expect([suites.name, suites.attributes]).toEqual(['testsuites', { name: 'steelyard check', tests: '5', failures: '2', errors: '2' }]);
    const figures = suites.children.map(({ name, attributes: { tests, failures, errors } }) => [name, tests, failures, errors]);
    expect(figures).toEqual([
      ['testsuite', '1', '0', '1'],
      ['testsuite', '3', '1', '1'],
      ['testsuite', '1', '1', '0'],
    ]);
    const cases = suites.children.flatMap(({ children }) => children.filter(({ name }) => name === 'testcase'));
    expect(cases.map(({ attributes, children }) => [attributes['name'], attributes['line'], children[0]?.name])).toEqual([
      ['can be read', '3', 'error'],
      ['line 1, body weight 80.0 kg, 2026-03-02T08:00:00Z', '1', 'system-out'],
      ['line 3, body weight 20.09414 kg, 2026-03-02T08:00:00Z', '3', 'failure'],
      ['line 4, can be read', '4', 'error'],
      ['entry[1], body weight 300.0 kg, 2026-03-02T08:00:00Z', '2', 'failure'],
    ]);
    for (const { attributes } of cases) expect(attributes['classname']).toMatch(new RegExp(`^${folder}`));
    const [failure] = cases[2]!.children;
    expect(failure!.attributes['message']).toMatch(/^refused by precision-step: 20\.09414 kg is not/);
    expect(failure!.text).toContain(`${day}:3:${CONVERTED.indexOf('20.09414') + 1} error precision-step`);
    expect(exitCode).toBe(2);
  });
});

interface SarifLog {
  readonly version: string;
  readonly $schema: string;
  readonly runs: readonly {
    readonly tool: { readonly driver: { readonly name: string; readonly rules: readonly Record<string, { readonly text: string }>[] } };
    readonly columnKind: string;
    readonly invocations: readonly { readonly executionSuccessful: boolean; readonly toolExecutionNotifications: readonly SarifResult[] }[];
    readonly results: readonly SarifResult[];
  }[];
}
interface SarifResult {
  readonly ruleId: string;
  readonly ruleIndex: number;
  readonly level: string;
  readonly message: { readonly text: string };
  readonly locations: readonly {
    readonly physicalLocation: { readonly artifactLocation: { readonly uri: string }; readonly region?: Record<string, number> };
    readonly logicalLocations?: readonly { readonly fullyQualifiedName: string }[];
  }[];
}

describe('the SARIF report', () => {
  const logOf = async (...args: readonly string[]) => {
    const { exitCode, stdout } = await check('--format', 'sarif', ...args);
    return { exitCode, log: JSON.parse(stdout) as SarifLog, stdout };
  };

  test('has what SARIF 2.1.0 requires of a log, a run, rules, results and locations', async () => {
    const { log, stdout } = await logOf(join(folder, 'ward'));
    expect(stdout).not.toMatch(/Imagina|Invented/);
    // 3.13.2 version, 3.13.4 runs, 3.14.6 tool, 3.18.2 driver, 3.19.8 name
    expect(log.version).toBe('2.1.0');
    expect(new URL(log.$schema).hostname).toBe('docs.oasis-open.org');
    const [run] = log.runs;
    expect(log.runs).toHaveLength(1);
    expect(run!.tool.driver.name).toBe('Steelyard');
    // 3.14.27: the only two ways in which columns may be counted
    expect(['utf16CodeUnits', 'unicodeCodePoints']).toContain(run!.columnKind);
    // 3.49.3 id, 3.49.9 shortDescription, 3.49.13 help; 3.19.23: ids are unique
    const ids = run!.tool.driver.rules.map(({ id }) => id);
    expect(new Set(ids).size).toBe(ids.length);
    for (const { shortDescription, fullDescription, help } of run!.tool.driver.rules)
      for (const message of [shortDescription, fullDescription, help]) expect(message!.text).not.toMatch(/^$|[{}]/);
    expect(run!.results.length).toBeGreaterThan(2);
    for (const { ruleId, ruleIndex, level, message, locations } of run!.results) {
      // 3.27.5 ruleId, 3.27.6 ruleIndex into rules, 3.27.10 level, 3.27.11 message, 3.11.8 text
      expect(ids[ruleIndex]).toBe(ruleId);
      expect(['none', 'note', 'warning', 'error']).toContain(level);
      expect(message.text).not.toBe('');
      for (const { physicalLocation } of locations) {
        // 3.4.3: a URI reference (RFC 3986)
        expect(physicalLocation.artifactLocation.uri).toMatch(/^(?:[A-Za-z0-9._~!$&'()*+,;=:@/-]|%[0-9A-F]{2})+$/);
        const { startLine = 0, startColumn = 0, endLine = startLine, endColumn = startColumn + 1 } = physicalLocation.region ?? {};
        // 3.30.5 to 3.30.8: from 1, and the end column is that behind the last character
        expect(Math.min(startLine, startColumn)).toBeGreaterThan(0);
        expect(endLine > startLine || (endLine === startLine && endColumn > startColumn)).toBe(true);
      }
    }
  });

  test('points to exactly what is the matter', async () => {
    const { exitCode, log } = await logOf(pretty);
    const result = log.runs[0]!.results.find(({ level, ruleId }) => level === 'warning' && ruleId !== 'person-unknown')!;
    const [{ physicalLocation, logicalLocations }] = result.locations as [SarifResult['locations'][0]];
    const { startLine, startColumn, endColumn } = physicalLocation.region!;
    const line = readFileSync(pretty, 'utf8').split(/\r\n|\n|\r/)[startLine! - 1]!;
    expect(line.slice(startColumn! - 1, endColumn! - 1)).toBe('300.0');
    expect(logicalLocations![0]!.fullyQualifiedName).toBe('Bundle.entry[1].resource.value.ofType(Quantity).value');
    expect(exitCode).toBe(1);
  });

  test('tells of what no rule speaks of as a notification, and says that the run was not whole', async () => {
    const { exitCode, log } = await logOf(join(folder, 'absent.json'), writeIn(folder, 'sound.json', SOUND));
    const [{ executionSuccessful, toolExecutionNotifications }] = log.runs[0]!.invocations as [SarifLog['runs'][0]['invocations'][0]];
    expect(executionSuccessful).toBe(false);
    expect(toolExecutionNotifications.map(({ level, message }) => [level, message.text])).toEqual([
      ['error', expect.stringContaining('cannot be read (ENOENT)')],
    ]);
    expect(exitCode).toBe(2);
  });

  test.each([
    ['ward/day one.json', 'ward/day%20one.json'],
    ['/a/b#c?.json', 'file:///a/b%23c%3F.json'],
    ['a:b/é.json', 'a%3Ab/%C3%A9.json'],
    ['../up.json', '../up.json'],
    ['-', 'standard-input'],
  ])('writes the address of %s as %s', (file, uri) => {
    expect(uriOf(file)).toBe(uri);
  });
});

describe('several texts', () => {
  test('are named in the one OperationOutcome, of an NDJSON file with the line', async () => {
    const { stdout } = await check('--format', 'json', day);
    const { issue } = JSON.parse(stdout) as { issue: { severity: string; diagnostics: string }[] };
    expect(
      issue.filter(({ severity }) => severity !== 'information').map(({ diagnostics }) => diagnostics.slice(0, day.length + 3)),
    ).toEqual([`${day}:3:`, `${day}:4:`]);
  });

  const yesterday = observationText('weight', '80.0', 'kg', { effectiveDateTime: '2026-03-01T08:00:00Z' });
  const today = observationText('weight', '98.0', 'kg');
  const height = observationText('height', '160.0', 'cm', { effectiveDateTime: '2026-03-01T07:55:00Z' });
  const ward = writeIn(folder, 'ward.ndjson', [bundleText('collection', [PATIENT]), height, yesterday, today, today].join('\n'));

  test('are judged each alone, so that nothing is compared', async () => {
    const { exitCode, stdout } = await check(ward);
    expect(stdout).toContain('4 accepted, 0 held, 0 refused');
    expect(stdout).toContain('person-unknown');
    expect(exitCode).toBe(0);
  });

  test('are judged together when told so: people are known, BMI follow, changes and resends are seen', async () => {
    const { exitCode, stdout } = await check('--together', ward);
    expect(stdout).not.toContain('person-unknown');
    expect(stdout).toContain(`BMI 31.3 kg/m2 follows, with the height of ${ward}:2`);
    expect(stdout).toContain('weight-change-rate');
    expect(stdout).toMatch(/known already: sent twice {2}body weight 98\.0 kg.* line 5/);
    expect(stdout).toContain('3 accepted, 1 held, 0 refused');
    expect(exitCode).toBe(1);
  });

  test('keep people without an id apart, and people with one together', async () => {
    const nobody = (birthDate: string) =>
      bundleText('collection', [`{"resourceType":"Patient","birthDate":"${birthDate}"}`, SOUND.replace('Patient/p1', 'Patient/entry-0')]);
    const file = writeIn(folder, 'nobody.ndjson', [nobody('1960-04-01'), nobody('2026-03-01')].join('\n'));
    const { stdout } = await check('--together', file);
    // had the second replaced the first, its weight would be that of a newborn
    expect(stdout).not.toContain('value-impossible');
  });
});

describe('--output', () => {
  test('writes the report to a file and prints the counts', async () => {
    const output = join(folder, 'report.xml');
    const { exitCode, stdout } = await check('--format', 'junit', '--output', output, day);
    expect(stdout).toMatch(/^1 accepted, 0 held, 1 refused, 1 unreadable; policy/);
    expect(parseXml(readFileSync(output, 'utf8')).attributes['tests']).toBe('3');
    expect(exitCode).toBe(2);
  });

  test('overwrites no file that is checked, and says when it cannot be written', async () => {
    expect(await check('--output', day, day)).toMatchObject({
      exitCode: 2,
      stdout: expect.stringContaining('would be overwritten') as string,
    });
    expect(readFileSync(day, 'utf8')).toContain('20.09414');
    expect(await check('--output', join(folder, 'none', 'x'), day)).toMatchObject({
      exitCode: 2,
      stdout: expect.stringContaining('ENOENT') as string,
    });
  });
});

test('a folder with nothing to check in it is bad usage', async () => {
  mkdirSync(join(folder, 'empty'));
  writeFileSync(join(folder, 'empty', 'notes.txt'), '');
  expect(await check(join(folder, 'empty'))).toMatchObject({
    exitCode: 2,
    stdout: expect.stringContaining('no *.json or *.ndjson file') as string,
  });
});

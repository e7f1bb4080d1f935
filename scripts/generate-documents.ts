/**
 * Writes the tables of the documents that come from the code: rules, calls, configuration, policy, commands, metrics in
 * README.md, answers in docs/verdicts.md, criteria and faults in docs/gateway-conformance.md.
 * `--check` changes nothing and exits 1 when a table has drifted.
 */
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import type { Command } from 'commander';
import { FAULTS } from '../src/cli/examine/faults.ts';
import { CRITERIA } from '../src/cli/examine/report.ts';
import { createProgram } from '../src/cli/program.ts';
import { describeConfig } from '../src/config.ts';
import { DEFAULT_POLICY, DEFAULT_SETTINGS } from '../src/core/policy.ts';
import { AGE_BANDS, type AgeBand } from '../src/core/age-bands.ts';
import { RULES } from '../src/core/rules/index.ts';
import { SERVED, SERVED_BY_SYSTEM } from '../src/http/served.ts';
import { ERRORS } from '../src/errors.ts';
import { METRICS, type MetricRow } from '../src/metrics/catalogue.ts';
import { committedResult } from '../tests/bench/judgement/result.ts';
import { markdownTables } from '../tests/bench/judgement/table.ts';

type Row = readonly string[];

function table(head: Row, rows: readonly Row[]): string {
  const cell = (text: string): string => text.replaceAll('|', '\\|').replaceAll('\n', ' ');
  return [head, head.map(() => '---'), ...rows].map((row) => `| ${row.map(cell).join(' | ')} |`).join('\n');
}

const OUTCOME_WORDS = { refuse: 'refused', hold: 'held', warn: 'warned', inform: 'noted' } as const;

function rules(): string {
  return table(
    ['rule', 'what it finds', 'outcome', 'source'],
    RULES.map(({ id, title, outcome, movable, source }) => [
      `\`${id}\``,
      title,
      `${OUTCOME_WORDS[outcome]}${movable ? ' \\*' : ''}`,
      source,
    ]),
  );
}

function calls(): string {
  const verbs: Readonly<Record<string, (type: string) => string>> = {
    create: (type) => `POST /fhir/${type}`,
    update: (type) => `PUT /fhir/${type}/{id}`,
    delete: (type) => `DELETE /fhir/${type}/{id}`,
    read: (type) => `GET /fhir/${type}/{id}`,
    vread: (type) => `GET /fhir/${type}/{id}/_history/{v}`,
    'history-instance': (type) => `GET /fhir/${type}/{id}/_history`,
    'search-type': (type) => `GET /fhir/${type}?…`,
  };
  const rows = SERVED.map((served) => {
    const operations = (served.operations ?? []).flatMap(({ name, level, methods }) =>
      methods.map((method) => `\`${method.toUpperCase()} /fhir/${served.type}/${level === 'type' ? '' : '{id}/'}$${name}\``),
    );
    const lines = [...served.interactions.map((interaction) => `\`${verbs[interaction]?.(served.type) ?? interaction}\``), ...operations];
    return [served.type, lines.join('<br>'), served.parameters.map(({ name }) => `\`${name}\``).join(', ')];
  });
  const asynchronous = (name: string): string =>
    ['GET /fhir', 'GET /fhir', 'GET /fhir', 'DELETE /fhir']
      .map((verb, at) => `\`${verb}/$${name}${['', '/{job}', '/{job}/{file}', '/{job}'][at] ?? ''}\``)
      .join('<br>');
  const system = SERVED_BY_SYSTEM.map(({ name, parameters }) => [
    'all of it',
    asynchronous(name),
    parameters.map((one) => `\`${one}\``).join(', '),
  ]);
  return table(['resource', 'calls', 'search parameters'], [...rows, ...system]);
}

function configuration(): string {
  return table(
    ['variable', 'default', 'meaning'],
    describeConfig().map((row) => [`\`${row.name}\``, row.default === undefined ? 'none' : `\`${row.default}\``, row.means]),
  );
}

function policy(): string {
  return table(
    ['setting', 'default', 'meaning', 'source'],
    Object.entries(DEFAULT_SETTINGS).map(([name, { value, means, source }]) => [`\`${name}\``, `\`${String(value)}\``, means, source]),
  );
}

function commands(): string {
  const terminal = { print: () => undefined, complain: () => undefined, tint: (_: string, text: string) => text, columns: 80 };
  const rowsOf = (command: Command, before: string): Row[] => {
    const name = `${before} ${command.name()}`;
    const takes = command.registeredArguments
      .map((one) => `${one.name().toUpperCase()}${one.variadic ? '…' : ''}`)
      .map((name, at) => ` ${command.registeredArguments[at]?.required === true ? name : `[${name}]`}`)
      .join('');
    return command.commands.length > 0
      ? command.commands.flatMap((below) => rowsOf(below, name))
      : [[`\`${name}${takes}\``, command.description()]];
  };
  return table(
    ['command', 'does'],
    createProgram(terminal).commands.flatMap((command) => rowsOf(command, 'steelyard')),
  );
}

function limits(): string {
  const range = (pair: readonly [string, string] | undefined): string => (pair ? `${pair[0]} to ${pair[1]}` : '—');
  return table(
    ['age', 'band', 'weight: refused outside', 'held outside (kg)', 'height: refused outside', 'held outside (cm)', 'source'],
    Object.entries(AGE_BANDS).map(([band, { label, weight, height, source }]) => {
      const [w, h]: readonly { refuse: readonly [string, string]; hold?: readonly [string, string] }[] = [weight, height];
      return [label, `\`${band}\``, range(w?.refuse), range(w?.hold), range(h?.refuse), range(h?.hold), source];
    }),
  );
}

function changes(): string {
  const bands = Object.keys(AGE_BANDS) as AgeBand[];
  return table(
    ['age at the earlier weight', 'band', 'gain within 30 days (%)', 'loss (%)', 'gain within 365 days (%)', 'loss (%)', 'source'],
    bands.map((band) => {
      const { within30Days: month, within365Days: year, source } = DEFAULT_POLICY.changeLimits[band];
      return [AGE_BANDS[band].label, `\`${band}\``, month.gainPercent, month.lossPercent, year.gainPercent, year.lossPercent, source];
    }),
  );
}

function metrics(): string {
  return table(
    ['metric', 'kind', 'labels', 'what it says'],
    Object.entries<MetricRow>(METRICS).map(([name, { kind, labels = [], help }]) => [
      `\`${name}\``,
      kind,
      labels.map((label) => `\`${label}\``).join(', '),
      help,
    ]),
  );
}

/** Every refusal that is not of a rule: what it is, and whether the same may be sent again. */
function errors(): string {
  const rows = Object.entries<{ status: number; issue: string; title: string; retryAfter?: number }>(ERRORS).map(([code, row]) => [
    String(row.status),
    `\`transport-${code.slice('ERR_'.length).toLowerCase().replaceAll('_', '-')}\``,
    row.title,
    `\`${row.issue}\``,
    row.retryAfter === undefined ? '' : `${row.retryAfter} s`,
  ]);
  return table(['status', '`details.coding.code`', 'what', '`issue.code`', '`Retry-After`, unless the answer knows better'], rows);
}

function faults(): string {
  return table(['fault', 'what happens'], Object.entries(FAULTS));
}

function criteria(): string {
  return table(
    ['criterion', 'level', 'asks', 'remedy', 'source'],
    CRITERIA.map(({ id, level, asks, remedy, source }) => [`\`${id}\``, level, asks, remedy, source]),
  );
}

const TABLES: Readonly<Record<string, () => string>> = {
  judgement: () => markdownTables(committedResult()),
  rules,
  calls,
  configuration,
  commands,
  metrics,
  policy,
  limits,
  changes,
};
const ROOT = join(import.meta.dirname, '..');

/** By document, its generated parts. */
const DOCUMENTS: Readonly<Record<string, Readonly<Record<string, () => string>>>> = {
  'README.md': TABLES,
  'docs/verdicts.md': { errors },
  'docs/gateway-conformance.md': { faults, criteria },
};

/** A document with every generated part made anew; throws when a part is missing. */
export function withTables(text: string, document = 'README.md'): string {
  return Object.entries(DOCUMENTS[document] ?? {}).reduce((before, [name, make]) => {
    const part = new RegExp(`(<!-- generated: ${name} -->\\n)[\\s\\S]*?(<!-- end -->)`);
    if (!part.test(before)) throw new Error(`${document} has no generated part named ${name}`);
    return before.replace(part, (_, begin: string, end: string) => `${begin}${make()}\n${end}`);
  }, text);
}

export const GENERATED_DOCUMENTS: readonly string[] = Object.keys(DOCUMENTS);

if (process.argv[1] === import.meta.filename) {
  for (const document of GENERATED_DOCUMENTS) {
    const before = await readFile(join(ROOT, document), 'utf8');
    const after = withTables(before, document);
    if (!process.argv.includes('--check')) await writeFile(join(ROOT, document), after);
    else if (before !== after) {
      process.stderr.write(`${document} has drifted from the code; run \`npm run documents\`.\n`);
      process.exitCode = 1;
    }
  }
}

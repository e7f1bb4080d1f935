/** A result as tables: for a terminal, and as Markdown for the documents. */
import Table from 'cli-table3';
import { ERROR_KINDS, ERRORS, type ErrorKind } from './errors.ts';
import { wilsonInterval, Z_95 } from './interval.ts';
import { alarmShare, healthyAlarmShare, type Estimate, type GroupResult, type JudgementResult } from './result.ts';
import { GROUPS, type Group } from './series.ts';
import { emptyErrorTally, sum, type AlarmTally, type ErrorTally } from './tally.ts';

type Row = readonly string[];

export interface Lines {
  readonly head: Row;
  readonly rows: readonly Row[];
}

const GROUP_NAMES: Readonly<Record<Group, string>> = {
  'healthy-adults': 'healthy adults',
  'healthy-extremes': 'their heaviest and lightest 1 %',
  'heart-failure': 'heart failure',
  dialysis: 'dialysis',
  'growing-children': 'growing children',
  infants: 'infants',
  wheelchair: 'in a wheelchair',
  'in-bed': 'in bed',
};

function entriesOf({ groups }: JudgementResult): [Group, GroupResult][] {
  return GROUPS.flatMap((group) => (groups[group] ? [[group, groups[group]]] : []));
}

function aThousand(share: number): string {
  return (1000 * share).toFixed(2);
}

/** Whole percents; all and none are said only where it is so. */
function percent(found: number, of: number): string {
  if (of === 0) return '–';
  const rounded = Math.round((100 * found) / of);
  if (rounded === 100 && found < of) return 'over 99 %';
  return rounded === 0 && found > 0 ? 'under 1 %' : `${rounded} %`;
}

/** Alarms about right measurements, by group. */
export function alarmLines(result: JudgementResult): Lines {
  const head = [
    'right measurements of',
    'people',
    'measurements',
    'first alarms',
    'follow-on',
    'per 1,000 [95 %]',
    'people alarmed [95 %]',
    'by rules',
  ];
  const rows = entriesOf(result).map(([group, { alarms }]) => {
    const { people, measurements, firstAlarms, followOn, rules } = alarms;
    const { low, high } = wilsonInterval(firstAlarms + followOn, measurements);
    const rate = `${aThousand(alarmShare(alarms))} [${aThousand(low)} to ${aThousand(high)}]`;
    return [GROUP_NAMES[group], ...[people, measurements, firstAlarms, followOn].map(String), rate, alarmedPeople(alarms), byCount(rules)];
  });
  const healthy = healthyAlarmShare(result);
  const together = healthy === undefined ? [] : [['all healthy adults, weighted', '', '', '', '', weightedRate(healthy), '', '']];
  return { head, rows: [...rows, ...together] };
}

/** People are independent of each other, so this interval is sound where that of the measurements is too narrow. */
function alarmedPeople({ people, peopleAlarmed }: AlarmTally): string {
  const { low, high } = wilsonInterval(peopleAlarmed, people);
  return `${peopleAlarmed} [${(100 * low).toFixed(1)} to ${(100 * high).toFixed(1)} %]`;
}

/** This interval does take measurements of one person together. */
function weightedRate({ share, error }: Estimate): string {
  return `${aThousand(share)} [${aThousand(Math.max(0, share - Z_95 * error))} to ${aThousand(share + Z_95 * error)}]`;
}

function byCount(rules: Readonly<Record<string, number>>): string {
  const sorted = Object.entries(rules).sort(([a, first], [b, second]) => second - first || (a < b ? -1 : 1));
  return sorted.map(([rule, times]) => `${rule} ${times}`).join(', ');
}

const COUNTED = [
  'tried',
  'refused',
  'held',
  'noted',
  'named',
  'missed',
  'missedFar',
  'nextAlarmed',
] as const satisfies readonly (keyof ErrorTally)[];
const COUNT_HEAD: Row = ['tried', 'refused', 'held', 'noted', 'named', 'missed', 'of these over 5 % off', 'next right one alarmed'];

function counts(tally: ErrorTally): Row {
  return COUNTED.map((name) => String(tally[name]));
}

/** Every error in every group. */
export function errorLines(result: JudgementResult): Lines {
  const rows = ERROR_KINDS.flatMap((kind) =>
    entriesOf(result).flatMap(([group, { errors }]) => {
      const tally = errors[kind];
      return tally === undefined ? [] : [[kind, GROUP_NAMES[group], ...counts(tally)]];
    }),
  );
  return { head: ['error', 'group', ...COUNT_HEAD], rows };
}

/** Every error over all groups. */
export function pooledLines(result: JudgementResult): Lines {
  const rows = ERROR_KINDS.map((kind) => {
    const tallies = entriesOf(result).flatMap(([, { errors }]) => errors[kind] ?? []);
    return [ERRORS[kind].means, ...counts(sum([emptyErrorTally(), ...tallies]))];
  });
  return { head: ['error', ...COUNT_HEAD], rows };
}

/** What share of each error was refused, held or named, by group. */
export function caughtLines(result: JudgementResult): Lines {
  const groups = entriesOf(result);
  const cell = ({ errors }: GroupResult, kind: ErrorKind): string => {
    const { tried = 0, missed = 0 } = errors[kind] ?? {};
    return percent(tried - missed, tried);
  };
  return {
    head: ['caught of', ...groups.map(([group]) => GROUP_NAMES[group])],
    rows: ERROR_KINDS.map((kind) => [ERRORS[kind].means, ...groups.map(([, of]) => cell(of, kind))]),
  };
}

function terminal({ head, rows }: Lines): string {
  const table = new Table({ head: [...head], style: { head: [], border: [], compact: true } });
  for (const row of rows) table.push([...row]);
  return table.toString();
}

export function terminalTables(result: JudgementResult): string {
  return [errorLines(result), alarmLines(result)].map(terminal).join('\n');
}

function markdown({ head, rows }: Lines): string {
  const cell = (text: string): string => text.replaceAll('|', '\\|');
  return [head, head.map(() => '---'), ...rows].map((row) => `| ${row.map(cell).join(' | ')} |`).join('\n');
}

/** The part of a document that is made from a result: how it was made, alarms, errors, shares by group. */
export function markdownTables(result: JudgementResult): string {
  const { service, policy, seed, size } = result;
  const said = `\`npm run bench:judgement\`, ${size} size, seed ${seed}, service ${service}, policy ${policy}. Intervals: Wilson, 95 %; that of the measurements takes them as independent, so it is too narrow where one person raises many alarms. The last line weighs the two groups of healthy adults by their share of people; its interval is that of a ratio estimate over people.`;
  return [said, ...[alarmLines(result), pooledLines(result), caughtLines(result)].map(markdown)].join('\n\n');
}

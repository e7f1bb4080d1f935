/** The day in tables for somebody who sees it for the first time. */
import { CAUTION, wrapped, type Terminal } from '../../src/cli/terminal.ts';
import { decidingRules } from '../simulator/answers.ts';
import type { Answered } from '../simulator/gateway.ts';
import { acceptedReadings, type Balance, type Outcome } from './balance.ts';
import { plainTable, type Column } from '../../src/cli/table.ts';

const NOTHING = '–';

export function printDay(outcome: Outcome, balance: Balance, terminal: Terminal): void {
  const { answers } = outcome;
  const section = (title: string, meaning: string): void =>
    terminal.print('', `${terminal.tint('bold', title)}  ${terminal.tint('dim', meaning)}`, '');

  section('Accepted', 'checked, stored with written digits, forwarded; BMI follows from weight and height');
  table(ACCEPTED_COLUMNS, acceptedRows(outcome), terminal);
  terminal.print('', ...remarksOnAccepted(outcome));

  section('Held', 'possible but doubtful: kept back from the EHR until somebody weighs again or decides');
  table(
    DOUBT_COLUMNS,
    doubtRows(answers, 'held', (rule) => terminal.tint('yellow', rule)),
    terminal,
  );
  section('Refused', 'cannot be true, or may not be recorded so: told to the gateway at once, never forwarded');
  table(
    DOUBT_COLUMNS,
    doubtRows(answers, 'refused', (rule) => terminal.tint('red', rule)),
    terminal,
  );

  section('At the stand-in EHR', 'read from its own memory');
  printArrivals(outcome, balance, terminal);
}

export function printEnd(balance: Balance, terminal: Terminal): void {
  const { differences } = balance;
  terminal.print('');
  if (differences.length === 0) terminal.print(terminal.tint('green', 'Everything came out as expected.'));
  else terminal.print(terminal.tint('red', 'Not as expected:'), ...differences);
  terminal.print('', ...wrapped(CAUTION, terminal.columns));
}

const ACCEPTED_COLUMNS: readonly Column[] = [
  { head: 'place' },
  { head: 'how it was weighed', most: 40 },
  { head: 'weight', align: 'right' },
  { head: 'height', align: 'right' },
  { head: 'BMI here', align: 'right' },
  { head: 'BMI at EHR', align: 'right' },
];
const DOUBT_COLUMNS: readonly Column[] = [
  { head: 'place' },
  { head: 'reading', align: 'right' },
  { head: 'what happened', most: 24 },
  { head: 'rule and reason' },
];

function table(columns: readonly Column[], rows: readonly (readonly string[])[], { print, tint, columns: width }: Terminal): void {
  print(rows.length === 0 ? 'none' : plainTable(columns, rows, width, (head) => tint('dim', head)));
}

/** A row for each accepted weight, and one for a place where only a height was accepted. */
function acceptedRows({ answers, arrivals, pulled }: Outcome): string[][] {
  const accepted = [...acceptedReadings(answers)];
  const heightAt = new Map(accepted.filter(([, { of }]) => of === 'height').map(([, { place, shown }]) => [place, shown]));
  const weights = accepted.filter(([, { of }]) => of === 'weight');
  const rowOf = new Map<string, string[][]>();
  for (const [key, { place, story, shown }] of weights) {
    const arrived = arrivals.bmi.get(key) ?? (arrivals.digits.has(key) ? 'weight only' : NOTHING);
    const row = [place, story, shown, heightAt.get(place) ?? NOTHING, pulled.get(key) ?? NOTHING, arrived];
    rowOf.set(place, [...(rowOf.get(place) ?? []), row]);
  }
  for (const [key, { place, of, shown }] of accepted) {
    if (of === 'height' && !rowOf.has(place))
      rowOf.set(place, [[place, 'no weight accepted', NOTHING, shown, NOTHING, arrivals.digits.has(key) ? 'height only' : NOTHING]]);
  }
  const order = [...new Set(answers.map(({ reading }) => reading.place))];
  return order.flatMap((place) => rowOf.get(place) ?? []);
}

/** What the table cannot say: resends, and weights that have no BMI. */
function remarksOnAccepted({ answers, pulled }: Outcome): string[] {
  const withoutBmi = answers.flatMap(({ reading, remarks, verdict }) => {
    const remark = remarks.find(({ rule }) => rule === 'bmi-not-derived');
    const isFinal = verdict === 'accepted' || verdict === 'corrected';
    return remark && isFinal && !pulled.has(reading.corrects ?? reading.key) ? [`${reading.place}: ${factOf(remark.sentence)}`] : [];
  });
  const resent = answers
    .filter(({ verdict }) => verdict === 'resent')
    .map(({ reading }) => `${reading.place}: ${reading.shown} was sent twice, and is stored and forwarded once.`);
  return [...new Set([...resent, ...withoutBmi])];
}

function doubtRows(answers: readonly Answered[], verdict: 'held' | 'refused', tinted: (rule: string) => string): string[][] {
  return answers
    .filter((answer) => answer.verdict === verdict)
    .map(({ reading, remarks }) => {
      const rules = decidingRules(remarks);
      const reasons = rules.map((rule) => `${tinted(rule)}\n${factOf(remarks.find((remark) => remark.rule === rule)?.sentence ?? '')}`);
      return [reading.place, reading.shown, reading.story, reasons.join('\n')];
    });
}

/** A rule says a fact and then what to do about it; here the fact is enough. */
function factOf(sentences: string): string {
  return sentences.split(/(?<=\.) (?=[A-Z])/)[0] ?? '';
}

function printArrivals({ answers, arrivals }: Outcome, { accepted, forwarded, waiting }: Balance, { print, tint }: Terminal): void {
  const kept = [...acceptedReadings(answers)];
  const identical = kept.filter(([key, { digits }]) => arrivals.digits.get(key) === digits).length;
  const corrected = answers.filter(({ verdict }) => verdict === 'corrected').length;
  print(
    `${arrivals.digits.size} weights and heights, ${arrivals.bmi.size} BMI and ${arrivals.provenances} Provenances, in ${arrivals.bundles} transaction Bundles.`,
    `${identical} of ${kept.length} readings have exactly the digits that were sent; corrected on the way: ${corrected}.`,
    accepted === forwarded + waiting
      ? tint('bold', `Nothing lost: ${accepted} accepted = ${forwarded} forwarded + ${waiting} waiting.`)
      : tint('red', `Unaccounted for: ${accepted} accepted, but ${forwarded} forwarded and ${waiting} waiting.`),
  );
}

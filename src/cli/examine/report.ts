/** The report of an examination, for people and for programs. */
import { wrapped, type Terminal, type Tint } from '../terminal.ts';
import type { Criterion, Finding, Heard, Judgement } from './criterion.ts';
import { MESSAGE_CRITERIA } from './message-criteria.ts';
import { RESEND_CRITERIA } from './resend-criteria.ts';

/**
 * What is judged, in reporting order. What a gateway did not come to do is not seen, and never right.
 */
export const CRITERIA: readonly Criterion[] = [...MESSAGE_CRITERIA, ...RESEND_CRITERIA];

export type Judged = Omit<Criterion, 'judge'> & Finding;

export function judgeAll(heard: Heard): Judged[] {
  return CRITERIA.map(({ judge, ...criterion }) => ({ ...criterion, ...judge(heard) }));
}

/** True when nothing that a gateway must do was seen done wrong. */
export function isSound(judged: readonly Judged[]): boolean {
  return !judged.some(({ level, judgement }) => level === 'must' && judgement === 'wrong');
}

const TINTS: Readonly<Record<Judgement, Tint>> = { right: 'green', wrong: 'red', 'not seen': 'dim' };

export function printReport(judged: readonly Judged[], { print, tint, columns }: Terminal): void {
  for (const { id, level, asks, judgement, seen, remedy, source } of judged) {
    print(`${tint(TINTS[judgement], judgement.padEnd(8))}  ${id} (${level})`, ...wrapped(`${asks}.`, columns, '    '));
    if (judgement !== 'not seen') print(...wrapped(seen, columns, '    '));
    if (judgement === 'wrong') print(...wrapped(`Do: ${remedy}`, columns, '    '), ...wrapped(`Source: ${source}`, columns, '    '));
  }
  const count = (wanted: Judgement): number => judged.filter(({ judgement }) => judgement === wanted).length;
  print('', `${count('right')} right, ${count('wrong')} wrong, ${count('not seen')} not seen. What was not seen is not known to be right.`);
}

/** What was expected and what was answered: counted, and every difference in words. */
import { decidingRules } from './answers.ts';
import type { Answered } from './gateway.ts';
import type { Expectation } from './round.ts';

export function unexpectedLines(answers: readonly Answered[]): string[] {
  return answers
    .filter(({ isAsExpected }) => !isAsExpected)
    .map(({ reading, verdict, remarks }) => {
      const { place, story, shown, expected } = reading;
      return `  ${place}, ${shown} (${story}): expected ${inWords(expected)}, got ${inWords({ verdict, because: decidingRules(remarks) })}`;
    });
}

export interface OutcomeCount {
  /** `accepted`, `held by tare-missing`. */
  readonly outcome: string;
  readonly expected: number;
  readonly answered: number;
}

/** A row for each outcome that was expected or came. */
export function outcomeCounts(expected: readonly Expectation[], answers: readonly Answered[]): readonly OutcomeCount[] {
  const wanted = expected.map(inWords);
  const came = answers.map(({ verdict, remarks }) => inWords({ verdict, because: verdict === 'resent' ? [] : decidingRules(remarks) }));
  const count = (words: readonly string[], outcome: string): number => words.filter((one) => one === outcome).length;
  return [...new Set([...wanted, ...came])].sort().map((outcome) => ({
    outcome,
    expected: count(wanted, outcome),
    answered: count(came, outcome),
  }));
}

function inWords({ verdict, ...rest }: Expectation | { readonly verdict: string; readonly because: readonly string[] }): string {
  const because = 'because' in rest ? rest.because : [];
  const said = verdict === 'resent' ? 'known already' : verdict;
  return because.length === 0 ? said : `${said} by ${[...because].sort().join(' and ')}`;
}

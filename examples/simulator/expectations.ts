/** Where answers differ from what was expected, a line each for people. */
import { decidingRules, type Answered } from './gateway.ts';
import type { Expectation } from './round.ts';

export function unexpectedLines(answers: readonly Answered[]): string[] {
  return answers
    .filter(({ isAsExpected }) => !isAsExpected)
    .map(({ reading, verdict, remarks }) => {
      const { place, story, shown, expected } = reading;
      return `  ${place}, ${shown} (${story}): expected ${inWords(expected)}, got ${inWords({ verdict, because: decidingRules(remarks) })}`;
    });
}

function inWords({ verdict, ...rest }: Expectation | { readonly verdict: string; readonly because: readonly string[] }): string {
  const because = 'because' in rest ? rest.because : [];
  return because.length === 0 ? verdict : `${verdict} by ${because.join(' and ')}`;
}

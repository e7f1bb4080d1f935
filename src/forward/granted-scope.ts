/**
 * Which of the scopes that we asked for a token does not give.
 *
 * Scopes of systems: SMART App Launch 2.2, "Scopes for requesting FHIR Resources"
 * (`system/Observation.crus`), and the words of version 1 (`read`, `write`, `*`), which it explains as letters.
 */

interface ResourceScope {
  readonly context: string;
  readonly type: string;
  /** Letters out of `cruds`. */
  readonly letters: string;
  /** Search parameters that narrow it, as written. */
  readonly narrowedBy: string;
}

const FORM = /^(system|user|patient)\/(\*|[A-Z][A-Za-z]{0,63})\.(read|write|\*|c?r?u?d?s?)(\?.*)?$/;
const WORDS: Readonly<Record<string, string>> = { read: 'rs', write: 'cud', '*': 'cruds' };

/**
 * @param asked scopes with spaces between them
 * @param granted as the token endpoint writes them; absent means the same as asked (RFC 6749 section 5.1)
 * @returns those of `asked` that no granted scope covers alone
 */
export function missingScopes(asked: string, granted: string | undefined): readonly string[] {
  if (granted === undefined) return [];
  const given = wordsOf(granted);
  return wordsOf(asked).filter((scope) => !given.some((one) => covers(one, scope)));
}

function wordsOf(scopes: string): readonly string[] {
  return scopes.split(' ').filter((scope) => scope !== '');
}

function covers(granted: string, asked: string): boolean {
  if (granted === asked) return true;
  const [has, wants] = [resourceScope(granted), resourceScope(asked)];
  if (has === undefined || wants === undefined) return false;
  return (
    has.context === wants.context &&
    (has.type === '*' || has.type === wants.type) &&
    (has.narrowedBy === '' || has.narrowedBy === wants.narrowedBy) &&
    Array.from(wants.letters).every((letter) => has.letters.includes(letter))
  );
}

function resourceScope(scope: string): ResourceScope | undefined {
  const [, context, type, rights, narrowedBy = ''] = FORM.exec(scope) ?? [];
  if (context === undefined || type === undefined || rights === undefined || rights === '') return undefined;
  return { context, type, letters: WORDS[rights] ?? rights, narrowedBy };
}

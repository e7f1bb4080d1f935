/** Completion for bash (programmable completion, GNU Bash Reference Manual, section 8.6); 3.2 and later. */
import { allCommands, type CompletedCommand, type Value } from './words.ts';

/**
 * A script that defines one function: it goes through the words typed so far, keeps the command
 * they lead to and how many of its arguments there are, and offers what may come next.
 */
export function bashCompletion(program: CompletedCommand): string {
  const commands = allCommands(program);
  const [name = ''] = program.path;
  return `# completion of ${name} for bash: source <(${name} completion bash)
_${name}() {
  local current="\${COMP_WORDS[COMP_CWORD]}" previous="\${COMP_WORDS[COMP_CWORD-1]}"
  local path=${quoted(name)} word words='' files='' takes='' skip='' count=0 i
  for ((i = 1; i < COMP_CWORD; i++)); do
    word="\${COMP_WORDS[i]}"
    if [[ -n $skip ]]; then skip=''; continue; fi
    case "$path $word" in
${commands.flatMap(({ subcommands }) => subcommands.map(({ path }) => `      ${quoted(path.join(' '))}) path=${quoted(path.join(' '))}; count=0; continue ;;`)).join('\n')}
${optionsWithValue(commands).join('\n')}
    esac
    [[ $word == -?* ]] || ((count++))
  done
  case "$path $previous" in
${optionCases(commands).join('\n')}
  esac
  if [[ -z $takes ]]; then
    if [[ $current == -* ]]; then
      case "$path" in
${commands.map((command) => `        ${quoted(command.path.join(' '))}) words=${quoted(flagsOf(command).join(' '))} ;;`).join('\n')}
      esac
    else
      case "$path $count" in
${commands.flatMap(argumentCases).join('\n')}
      esac
    fi
  fi
  COMPREPLY=()
  while IFS= read -r word; do COMPREPLY+=("$word"); done < <(
    [[ -n $words ]] && compgen -W "$words" -- "$current"
    [[ -n $files ]] && compgen -f -- "$current"
  )
  if [[ -n $files ]]; then compopt -o filenames 2>/dev/null; fi
}
complete -F _${name} ${name}`;
}

function flagsOf({ options }: CompletedCommand): readonly string[] {
  return options.flatMap(({ flags }) => flags);
}

/** While going through the words, what stands behind such an option is its value. */
function optionsWithValue(commands: readonly CompletedCommand[]): string[] {
  const patterns = commands.flatMap(({ path, options }) =>
    options.flatMap(({ flags, value }) => (value === undefined ? [] : flags.map((flag) => quoted(`${path.join(' ')} ${flag}`)))),
  );
  return patterns.map((pattern) => `      ${pattern}) skip=1; continue ;;`);
}

function optionCases(commands: readonly CompletedCommand[]): string[] {
  return commands.flatMap(({ path, options }) =>
    options.flatMap(({ flags, value }) =>
      value === undefined
        ? []
        : [`    ${flags.map((flag) => quoted(`${path.join(' ')} ${flag}`)).join(' | ')}) takes=1; ${offer(value)} ;;`],
    ),
  );
}

function argumentCases({ path, subcommands, values, repeats }: CompletedCommand): string[] {
  const names = subcommands.map((command) => command.path.at(-1) ?? '');
  const cases = values.map((value, index) => {
    const isLast = index === values.length - 1 && repeats;
    return `        ${quoted(path.join(' '))}\\ ${isLast ? '*' : index}) ${offer(value)} ;;`;
  });
  return names.length > 0 ? [`        ${quoted(path.join(' '))}\\ 0) words=${quoted(names.join(' '))} ;;`, ...cases] : cases;
}

function offer(value: Value): string {
  if (value === 'file') return 'files=1';
  return value === 'any' ? ':' : `words=${quoted(value.join(' '))}`;
}

function quoted(text: string): string {
  return `'${text.replaceAll("'", `'\\''`)}'`;
}

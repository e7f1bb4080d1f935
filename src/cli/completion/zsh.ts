/** Completion for zsh (the zsh manual, Completion System: `_arguments`, `_describe`). */
import { allCommands, type CompletedCommand, type CompletedOption, type Value } from './words.ts';

/** One function for each command; a group hands on to the function of the word that follows. */
export function zshCompletion(program: CompletedCommand): string {
  const [name = ''] = program.path;
  const functions = allCommands(program).map((command) => functionOf(command));
  return `#compdef ${name}
# completion of ${name} for zsh: source <(${name} completion zsh), or as _${name} in a folder of $fpath
${functions.join('\n')}
if [[ \${funcstack[1]} == _${name} ]]; then _${name} "$@"; else compdef _${name} ${name}; fi`;
}

function functionOf(command: CompletedCommand): string {
  const { subcommands, values, repeats, options } = command;
  const isGroup = subcommands.length > 0;
  const specs = [
    ...options.map(optionSpec),
    ...(isGroup
      ? ["'1: :->command'", "'*:: :->rest'"]
      : values.map((value, index) => argumentSpec(value, index === values.length - 1 && repeats))),
  ];
  if (!isGroup) return `${functionName(command)}() {\n  _arguments -s -S ${specs.join(' ')}\n}`;
  const described = subcommands.map((one) => quoted(`${escaped(one.path.at(-1) ?? '')}:${one.description}`));
  const handed = subcommands.map((one) => `        ${one.path.at(-1) ?? ''}) ${functionName(one)} ;;`);
  return `${functionName(command)}() {
  local context state state_descr line
  typeset -A opt_args
  _arguments -C -s ${specs.join(' ')}
  case $state in
    command)
      local -a commands
      commands=(${described.join(' ')})
      _describe -t commands command commands ;;
    rest)
      case $line[1] in
${handed.join('\n')}
      esac ;;
  esac
}`;
}

function functionName({ path }: CompletedCommand): string {
  return `_${path.join('_')}`;
}

function optionSpec({ flags, description, value }: CompletedOption): string {
  const said = `[${description.replaceAll(/[[\]\\]/g, '\\$&')}]${value === undefined ? '' : `: :${action(value)}`}`;
  const [only] = flags;
  if (flags.length === 1) return quoted(`${only ?? ''}${said}`);
  return `${quoted(`(${flags.join(' ')})`)}{${flags.join(',')}}${quoted(said)}`;
}

function argumentSpec(value: Value, repeats: boolean): string {
  return quoted(`${repeats ? '*' : ''}: :${action(value)}`);
}

function action(value: Value): string {
  if (value === 'file') return '_files';
  return value === 'any' ? ' ' : `(${value.map(escaped).join(' ')})`;
}

function escaped(word: string): string {
  return word.replaceAll(':', '\\:');
}

function quoted(text: string): string {
  return `'${text.replaceAll("'", `'\\''`)}'`;
}

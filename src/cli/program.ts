/**
 * The commands, their options and their help. Each command's work is loaded when it is called, so
 * that `--help` answers at once.
 */
import { addBench } from './bench-commands.ts';
import type { Shell } from './completion.ts';
import type { ExplainOptions } from './rules.ts';
import { addExamineGateway } from './examine/examine-command.ts';
import { addKeeping } from './keeping-commands.ts';
import { Argument, Command, Option } from 'commander';
import { softwareVersion } from '../version.ts';
import { addOutbox } from './outbox-commands.ts';
import type { TryOptions } from './policy-try.ts';
import { addStoreCommands } from './store-commands.ts';
import { example, exitCodes, limitNumber } from './arguments.ts';
import { CAUTION, wrapped, type Terminal } from './terminal.ts';

export function createProgram(terminal: Terminal): Command {
  const program = new Command('steelyard')
    .description('Checks body weights and heights from ward scales, derives BMI, and forwards what is sound to the EHR.')
    .version(softwareVersion())
    .exitOverride()
    .showHelpAfterError('(add --help for what this command takes)')
    .addHelpText('after', `\n${wrapped(CAUTION, terminal.columns).join('\n')}`);
  addServe(program);
  addBench(program, terminal);
  addExamineGateway(program, terminal);
  addOutbox(program, terminal);
  addStoreCommands(program, terminal);
  addAudit(program, terminal);
  addRules(program, terminal);
  addPolicy(program, terminal);
  addKeeping(program, terminal);
  addCompletion(program, terminal);
  return program;
}

function addServe(program: Command): void {
  program
    .command('serve')
    .description('run the service; settings come from STEELYARD_… environment variables')
    .addHelpText('after', example('STEELYARD_PORT=8080 STEELYARD_EHR_URL=http://127.0.0.1:9090/fhir steelyard serve'))
    .action(async () => (await import('../main-process.ts')).serve());
}

function addAudit(program: Command, terminal: Terminal): void {
  const audit = program
    .command('audit')
    .description('who did what: is the chain of audit events whole; in the store of STEELYARD_DATABASE, also beside a running service')
    .addHelpText('after', example('STEELYARD_DATABASE=./steelyard.db steelyard audit verify'));
  audit
    .command('verify')
    .description('go through every event and name the first one that was altered, removed or moved')
    .option('--expect <number:hash>', 'a head that was noted earlier, from the log or from steelyard audit head')
    .addHelpText('after', exitCodes('every event is as it was written', 'one is not', 'bad usage, or a store that cannot be read'))
    .addHelpText('after', example('steelyard audit verify'))
    .action(async (options: { expect?: string }) => {
      process.exitCode = await (await import('./audit.ts')).verifyAudit(options, terminal);
    });
  audit
    .command('head')
    .description('print number and hash of the last event; keep it where whoever can write to the store cannot')
    .addHelpText('after', example('steelyard audit head'))
    .action(async () => {
      process.exitCode = await (await import('./audit.ts')).printHead(terminal);
    });
}

function addRules(program: Command, terminal: Terminal): void {
  program
    .command('rules')
    .description('list every rule')
    .option('--policy <file>', "a site's policy file; the built-in policy otherwise")
    .addHelpText('after', example('steelyard rules'))
    .action(async (options: { policy?: string }) => {
      (await import('./rules.ts')).listRules(options, terminal);
    });
  program
    .command('explain')
    .description('say what a rule checks, with its thresholds, its source and an example')
    .argument('<rule>', 'id of the rule')
    .option('--policy <file>', "a site's policy file; the built-in policy otherwise")
    .addOption(format())
    .addHelpText('after', example('steelyard explain precision-step'))
    .action(async (id: string, options: ExplainOptions) => {
      (await import('./rules.ts')).explainRule(id, options, terminal);
    });
}

function addCompletion(program: Command, terminal: Terminal): void {
  program
    .command('completion')
    .description('print a script by which a shell completes commands, options and rule ids')
    .addArgument(new Argument('<shell>', 'the shell that is to read it').choices(['bash', 'zsh', 'fish']))
    .addHelpText(
      'after',
      '\nIt knows the commands of this release; load it anew after an upgrade. In fish: steelyard completion fish | source',
    )
    .addHelpText('after', example('source <(steelyard completion bash)'))
    .action(async (shell: Shell) => {
      terminal.print((await import('./completion.ts')).completionScript(shell, program));
    });
}

function format(): Option {
  return new Option('--format <format>', 'for people, or for programs').choices(['text', 'json']).default('text');
}

function addPolicy(program: Command, terminal: Terminal): void {
  const policy = program
    .command('policy')
    .description('thresholds and switches: what holds, whether a file is valid, what another file would change')
    .addHelpText('after', example('steelyard policy explain'));
  policy
    .command('explain')
    .description('print every threshold with its source, what differs from the default, and the rules that are moved')
    .option('--policy <file>', 'a policy file; otherwise that of STEELYARD_POLICY, or the built-in policy')
    .addOption(format())
    .addHelpText('after', example('steelyard policy explain --policy examples/policy.json'))
    .action(async (options: { policy?: string; format: 'text' | 'json' }) => {
      (await import('./policy.ts')).explainPolicyTo(options, terminal);
    });
  policy
    .command('check')
    .description('say whether a policy file is valid, or everything that is wrong with it')
    .argument('<file>', 'a JSON policy file')
    .addHelpText('after', exitCodes('it is valid', 'it is not', 'it cannot be read, or bad usage'))
    .addHelpText('after', example('steelyard policy check examples/policy.json'))
    .action(async (file: string) => {
      process.exitCode = (await import('./policy.ts')).checkPolicyFile(file, terminal);
    });
  policy
    .command('try')
    .description('judge what is stored again under a candidate, and list what would change; writes nothing')
    .argument('<file>', 'the candidate, a JSON policy file; it is compared with the policy of STEELYARD_POLICY, or the built-in one')
    .option('--database <file>', 'the store; otherwise that of STEELYARD_DATABASE')
    .option('--since <date>', 'only readings measured, and refusals received, from then on: 2026-03-01')
    .option('--person <key>', 'only the readings of one person: Patient/ada-invented')
    .option('--limit <number>', 'list so many changes; all are counted', limitNumber, 100)
    .addOption(format())
    .addHelpText('after', TRY_NOTES.map((note) => `\n${wrapped(note, terminal.columns).join('\n')}`).join('\n'))
    .addHelpText('after', exitCodes('nothing would change', 'something would', 'bad usage, or a file or store that cannot be used'))
    .addHelpText('after', example('STEELYARD_DATABASE=./steelyard.db steelyard policy try examples/policy.json --since 2026-03-01'))
    .action(async (file: string, options: TryOptions) => {
      process.exitCode = await (await import('./policy-try.ts')).tryPolicyFile(file, options, terminal);
    });
}

const TRY_NOTES = [
  'The list names people by their keys (Patient/… or an identifier), on purpose: it is for those who may look into the store. Keep it as you keep the store.',
  'Each stored weight and height is judged from what was sent, as of the instant at which it was first stored, with what is known today of person and scale. A kept refusal is judged among the readings that the person has today; refused Bundles and corrections are counted only.',
] as const;

/** The engineer's bench: judging files, and sending invented or recorded days to a service. */
import { InvalidArgumentError, Option, type Command } from 'commander';
import { SCENARIO_NAMES, SCENARIO_TEXTS } from '../../examples/simulator/scenario-texts.ts';
import { DEFAULT_URL, example, exitCodes, wholeNumber } from './arguments.ts';
import type { CheckOptions } from './check.ts';
import { FORMATS } from './check/reporter.ts';
import type { ReplayOptions } from './replay.ts';
import { paceIn, rateIn } from './replay/pace.ts';
import type { SimulateOptions } from './simulate.ts';
import { wrapped, type Terminal } from './terminal.ts';

export function addBench(program: Command, terminal: Terminal): void {
  addCheck(program, terminal);
  addSimulate(program, terminal);
  addReplay(program, terminal);
}

function addCheck(program: Command, terminal: Terminal): void {
  program
    .command('check')
    .description('judge Observation or Bundle files as the service would, storing nothing')
    .argument('<file...>', 'FHIR R4 JSON files, NDJSON files, folders with such, or - for standard input')
    .addOption(
      new Option('--format <format>', 'a report, one FHIR OperationOutcome, JUnit XML, or SARIF 2.1.0').choices(FORMATS).default('text'),
    )
    .option('--output <file>', 'write the report to this file; the counts are printed all the same')
    .option('--ndjson', 'every line of every file is an Observation or Bundle of its own, whatever the name of the file')
    .option('--together', 'judge all files and lines as the days of one ward, in their order; each alone otherwise')
    .option('--policy <file>', "a site's policy file; the built-in policy otherwise")
    .option('--growth-tables <folder>', 'folder with the published growth tables; children by age bands otherwise')
    .option('--now <instant>', 'judge as of this instant, for files with fixed dates; the present otherwise')
    .addHelpText('after', CHECK_NOTES.map((note) => `\n${wrapped(note, terminal.columns).join('\n')}`).join('\n'))
    .addHelpText('after', exitCodes('nothing was refused or held', 'something was', 'bad usage, or a file that cannot be read'))
    .addHelpText('after', example('steelyard check ward-day/ --now 2026-03-02T12:00:00Z --format junit --output ward-day.xml'))
    .action(async (files: string[], options: CheckOptions) => {
      process.exitCode = await (await import('./check.ts')).check(files, options, terminal);
    });
}

const CHECK_NOTES = [
  'Of a folder every *.json and *.ndjson is read, at any depth, by name. An *.ndjson file is read line by line, and so is standard input when it holds several JSON objects, a line each.',
  'Each text is judged alone: only readings of the same Bundle are compared with each other. With --together what came before in the files and lines counts as earlier readings, known people and known scales.',
  'A place is FILE:LINE:COLUMN, counted from 1; a column counts UTF-16 code units, as editors do. What is not in the text is pointed to where it would belong.',
] as const;

function addSimulate(program: Command, terminal: Terminal): void {
  program
    .command('simulate')
    .description('send an invented day to a running service, and compare what comes out with what should')
    .addOption(new Option('--scenario <name>', 'what happens on the ward').choices(SCENARIO_NAMES).default('ward-day'))
    .option('--url <url>', 'FHIR base of the service', DEFAULT_URL)
    .option('--seed <number>', 'another number gives other values; the same number the same', wholeNumber, 1)
    .option(
      '--people <number>',
      'how many people are on the ward; otherwise so many that everything of the scenario happens once',
      peopleNumber,
    )
    .option('--pace <ms>', 'pause between two readings; a storm knows none', wholeNumber, 100)
    .addOption(tokenFile())
    .option('--to <file>', 'write the day to an NDJSON file for steelyard replay, and send nothing')
    .addHelpText('after', scenarioLines(terminal))
    .addHelpText('after', '\nAll people are invented. The day is stored and forwarded like any other: use a service of your own for it.')
    .addHelpText(
      'after',
      exitCodes('every answer was as expected', 'some answer was not', 'bad usage, no service there, or a token that it does not take'),
    )
    .addHelpText('after', example(`steelyard simulate --scenario clock-fault --url ${DEFAULT_URL} --token-file gateway.token`))
    .action(async (options: SimulateOptions) => {
      process.exitCode = await (await import('./simulate.ts')).simulate(options, terminal);
    });
}

function addReplay(program: Command, terminal: Terminal): void {
  program
    .command('replay')
    .description('send a recorded day to a running service, in its order and at a chosen pace')
    .argument('<file>', 'NDJSON: an Observation, or a batch or transaction Bundle, a line')
    .option('--url <url>', 'FHIR base of the service', DEFAULT_URL)
    .addOption(
      new Option('--pace <factor>', 'so many times the recorded pace, as 1 or 10x; or max, without pauses')
        .argParser(paceIn)
        .default('max'),
    )
    .addOption(
      new Option('--rate <number>', 'so many lines a second or minute instead, as 20/s or 90/min').argParser(rateIn).conflicts('pace'),
    )
    .addOption(new Option('--by <time>', 'which recorded time paces it').choices(['effective', 'issued']).default('effective'))
    .option('--shift-to <instant>', 'move all times of measuring so that the recording ends then; now makes it a day of today')
    .addOption(tokenFile())
    .option('--dry-run', 'read the whole file, say what would be sent, and send nothing')
    .addHelpText('after', REPLAY_NOTES.map((note) => `\n${wrapped(note, terminal.columns).join('\n')}`).join('\n'))
    .addHelpText(
      'after',
      exitCodes('all was answered with a verdict', 'some was not', 'bad usage, a line that cannot be read, or a token that is not taken'),
    )
    .addHelpText('after', example('steelyard replay ward-day.ndjson --shift-to now --pace 60x --token-file gateway.token'))
    .action(async (file: string, options: ReplayOptions) => {
      process.exitCode = await (await import('./replay.ts')).replay(file, options, terminal);
    });
}

const REPLAY_NOTES = [
  'What is answered "not now" (429, 503 and the like) or not at all is sent again with the same body, after as long as Retry-After asks (a minute at most), twelve times; then it stops there. What the service has already it knows again.',
  'A line with status corrected, amended or entered-in-error whose identifier was sent before in the same run is sent as a correction of that reading.',
  '--shift-to adds one span to effective[x] and issued of every Observation and to the timestamp of a Bundle. The present of a recording is the timestamp of a Bundle on its first line, or the latest time of measuring. Identifiers, birth dates and all else stay as recorded: send a day of real people to no service that is not theirs.',
] as const;

function tokenFile(): Option {
  return new Option(
    '--token-file <file>',
    'file that holds the bearer token of a gateway, read for each call; for a service with STEELYARD_AUTH=jwt',
  );
}

function scenarioLines({ columns }: Terminal): string {
  const lines = SCENARIO_NAMES.flatMap((name) => [
    `  ${name}: ${SCENARIO_TEXTS[name].title}`,
    ...wrapped(SCENARIO_TEXTS[name].promise, columns, '    '),
  ]);
  return `\nScenarios:\n${lines.join('\n')}`;
}

function peopleNumber(text: string): number {
  const people = wholeNumber(text);
  if (people < 1 || people > 1000) throw new InvalidArgumentError('It must be a number from 1 to 1000.');
  return people;
}

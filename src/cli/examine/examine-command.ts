/** The command line of `steelyard examine-gateway`. */
import { Option, type Command } from 'commander';
import { example, exitCodes, wholeNumber } from '../arguments.ts';
import type { Terminal } from '../terminal.ts';
import type { ExamineOptions } from './examine-gateway.ts';

export function addExamineGateway(program: Command, terminal: Terminal): void {
  program
    .command('examine-gateway')
    .description(
      'for makers of gateways: stand in front of a test service, bring faults about, and say what the gateway does right and wrong',
    )
    .option('--port <port>', 'where the gateway is to post, on loopback', wholeNumber, 8090)
    .option('--service <url>', 'FHIR base of a test service that calls are passed on to; one of our own otherwise, gone afterwards')
    .option('--for <seconds>', 'how long to listen', wholeNumber, 120)
    .addOption(new Option('--format <format>', 'for people, or for programs').choices(['text', 'json']).default('text'))
    .addHelpText('after', '\nIt drops answers and refuses readings on purpose: never put it in front of a service that somebody relies on.')
    .addHelpText('after', exitCodes('nothing that a gateway must do was seen done wrong', 'something was', 'bad usage, or nothing came'))
    .addHelpText('after', example('steelyard examine-gateway --port 8090 --for 120'))
    .action(async (options: ExamineOptions) => {
      process.exitCode = await (await import('./examine-gateway.ts')).examineGateway(options, terminal);
    });
}

/**
 * One message through the service: read, mapped, judged, stored; then the answer. AA is made from
 * what the use case gave back, and that exists after the commit only.
 */
import { randomUUID } from 'node:crypto';
import type { AuditTrail } from '../audit-trail.ts';
import type { Call, Caller } from '../caller.ts';
import { ERRORS, ruleIdOf, ServiceError } from '../errors.ts';
import { countedAs, ruleIdsOf, type Counted } from '../ingest/counted.ts';
import type { Intake, OneOfSeveral } from '../ingest.ts';
import type { Log } from '../log.ts';
import type { Metrics } from '../metrics.ts';
import { StoreUnavailable, type Clock } from '../ports.ts';
import { answerCode, toAcknowledgement, type AnswerCode, type Ending, type Remark } from './acknowledgement.ts';
import { decodeMessage, encode, type Charset } from './charset.ts';
import { readingsIn, type OruRow } from './oru-readings.ts';
import { remarkOnError, remarkOnFault, remarksOn } from './remarks.ts';
import { CONDITION } from './v2-codes.ts';
import { fault, type V2Fault } from './v2-fault.ts';
import { faultInHeader } from './v2-header.ts';
import type { Systems } from './v2-identifiers.ts';
import { headerOf, parseMessage, type Message, type Segment } from './v2-message.ts';

/** Who sends over a connection. */
export interface Sender {
  readonly caller: Caller;
  /** IANA time zone of times without an offset. */
  readonly zone?: string;
}

export interface MessageParts {
  readonly intake: (call: Call) => Pick<Intake, 'several'>;
  readonly clock: Clock;
  readonly audit: Pick<AuditTrail, 'accessRefused' | 'recordIfPossible'>;
  readonly metrics: Pick<Metrics, 'reading' | 'finding' | 'heard' | 'v2Message' | 'shed'>;
  readonly log: Pick<Log, 'v2Message' | 'fault'>;
  readonly systems: () => Systems;
  /** Why nothing is taken in now; undefined when it is. */
  readonly shedReason: () => string | undefined;
}

/** More hold up everybody else; send several messages. */
export const MOST_READINGS = 200;

const NOT_NOW = 'The store cannot take the message now. Nothing of it was stored; send it again.';
const BUSY = 'There is more to do than can be done in good time. Nothing of the message was stored; send it again.';
const NOT_LISTED = 'The certificate of this sender is not that of a gateway. Have its name entered in the gateways file, then send again.';
const NO_READING = 'No OBX of the message holds a weight, a height or a BMI, so nothing was stored. Send at least one.';
const TOO_MANY = `A message may hold ${MOST_READINGS} readings at most. Nothing of it was stored; send several messages.`;

interface Outcome {
  readonly ending: Ending;
  readonly remarks: readonly Remark[];
  readonly verdicts: readonly Counted[];
}

/** What one message is answered with, and what is told of it. */
class Exchange {
  readonly id = randomUUID().replaceAll('-', '').slice(0, 20);
  readonly #startedAt = performance.now();
  readonly #sender: Sender | undefined;
  readonly #parts: MessageParts;
  header: Segment | undefined;
  charset: Charset = 'UNICODE UTF-8';

  constructor(sender: Sender | undefined, parts: MessageParts) {
    this.#sender = sender;
    this.#parts = parts;
  }

  /** For an answer to what cannot be read, or not as text: by its header its sender still knows what is answered. */
  nameUnread(bytes: Buffer): void {
    this.header = headerOf(bytes);
    this.charset = 'ASCII';
  }

  get call(): Call {
    return { requestId: this.id, caller: this.#sender?.caller ?? {} };
  }

  /** Undefined when the sender wants no answer. */
  answer({ ending, remarks, verdicts }: Outcome): Buffer | undefined {
    const { metrics, log } = this.#parts;
    const code = answerCode(this.header, ending);
    const ruleIds = [...new Set(remarks.flatMap(({ rule }) => rule?.id ?? []))];
    const durationMs = Math.round((performance.now() - this.#startedAt) * 1000) / 1000;
    metrics.v2Message(ending);
    // who is not known by its certificate is nobody that we know
    if (this.#sender) metrics.heard({ client: this.#sender.caller.client, date: undefined, agoMs: durationMs });
    log.v2Message({ requestId: this.id, answer: code ?? 'none', ending, durationMs, verdicts, ruleIds });
    if (code === undefined) return undefined;
    return encode(this.#text(code, ending, remarks), this.charset);
  }

  #text(code: AnswerCode, ending: Ending, remarks: readonly Remark[]): string {
    return toAcknowledgement(code, {
      ...(this.header && { header: this.header }),
      ending,
      remarks,
      controlId: this.id,
      nowMs: this.#parts.clock.nowMs(),
      charset: this.charset,
    });
  }
}

/**
 * The answer to one message; undefined when its sender wants none. Never throws.
 *
 * @param sender undefined when its certificate is of nobody that is known
 */
export async function answerMessage(bytes: Buffer, sender: Sender | undefined, parts: MessageParts): Promise<Buffer | undefined> {
  const exchange = new Exchange(sender, parts);
  try {
    return exchange.answer(await serve(bytes, sender, exchange, parts));
  } catch (error) {
    if (!(error instanceof StoreUnavailable)) parts.log.fault(error, { requestId: exchange.id, during: 'message' });
    const code = error instanceof StoreUnavailable ? 'ERR_STORE_UNAVAILABLE' : 'ERR_INTERNAL';
    const problem = code === 'ERR_INTERNAL' ? `This is our fault, not yours. Report it with the id ${exchange.id}.` : NOT_NOW;
    return exchange.answer(atFault('error', [fault(code, CONDITION.internal, problem)]));
  }
}

/** The answer to what is no whole message, or more than one may be. @param head how it begins */
export async function answerUnread(
  head: Buffer,
  problem: V2Fault,
  sender: Sender | undefined,
  parts: MessageParts,
): Promise<Buffer | undefined> {
  const exchange = new Exchange(sender, parts);
  exchange.nameUnread(head);
  await record(exchange, [problem], 'reject', parts);
  return exchange.answer(atFault('reject', [problem]));
}

async function serve(bytes: Buffer, sender: Sender | undefined, exchange: Exchange, parts: MessageParts): Promise<Outcome> {
  const read = toMessage(bytes, exchange);
  if ('condition' in read) return turnedAway('reject', read, exchange, parts);
  const wrong = faultInHeader(read.header);
  if (wrong) return turnedAway('reject', wrong, exchange, parts);
  if (sender === undefined) return refuseAccess(NOT_LISTED, exchange, parts);
  const reason = parts.shedReason();
  if (reason !== undefined) {
    parts.metrics.shed(reason);
    return atFault('error', [fault('ERR_BUSY', CONDITION.internal, BUSY)]);
  }
  const rows = readingsIn(read, { systems: parts.systems(), ...(sender.zone !== undefined && { zone: sender.zone }) });
  if (rows.length === 0) return turnedAway('error', fault('ERR_BAD_VALUE', CONDITION.required, NO_READING), exchange, parts);
  if (rows.length > MOST_READINGS) return turnedAway('error', fault('ERR_TOO_LARGE', CONDITION.tooLong, TOO_MANY), exchange, parts);
  return take(rows, exchange, parts);
}

function toMessage(bytes: Buffer, exchange: Exchange): Message | V2Fault {
  const decoded = decodeMessage(bytes);
  if (!decoded.ok) {
    exchange.nameUnread(bytes);
    return fault('ERR_BAD_VALUE', CONDITION.dataType, decoded.problem, { segment: 'MSH', sequence: 1, field: 18 });
  }
  const parsed = parseMessage(decoded.text, decoded.decode);
  if (!parsed.ok) {
    exchange.nameUnread(bytes);
    return fault('ERR_BAD_REQUEST', CONDITION.sequence, parsed.problem);
  }
  exchange.charset = decoded.charset;
  exchange.header = parsed.message.header;
  return parsed.message;
}

/** Judges what can be judged, all of it in one commit; rows with a fault stay out. */
async function take(rows: readonly OruRow[], exchange: Exchange, parts: MessageParts): Promise<Outcome> {
  const readings = rows.flatMap((row) => (row.kind === 'reading' ? [row] : []));
  const answers = readings.length === 0 ? [] : await severalOf(readings, exchange, parts);
  if (answers instanceof ServiceError) return refuseAccess(answers.message, exchange, parts);
  const faults = rows.flatMap((row) => (row.kind === 'fault' ? [row.fault] : []));
  // every row of a person whose identifiers say nothing has the one fault
  const causes = [...new Set(faults)];
  if (causes.length > 0) await record(exchange, causes, 'error', parts);

  const verdicts = [...answers.map(verdictOf), ...faults.map(() => 'refused' as const)];
  const isBad = verdicts.includes('refused');
  const told = new Map(readings.map((reading, index) => [reading as OruRow, answers[index] as OneOfSeveral]));
  const remarks = rows.flatMap((row) => {
    if (row.kind === 'fault') return [];
    const answer = told.get(row) as OneOfSeveral;
    return answer instanceof ServiceError ? [remarkOnError(answer, row.places)] : remarksOn(answer, row.places, isBad);
  });
  await recordRefusals(answers, exchange, parts);
  for (const verdict of verdicts) parts.metrics.reading(verdict);
  for (const answer of answers)
    for (const id of answer instanceof ServiceError ? [ruleIdOf(answer.code)] : ruleIdsOf(answer.outcome)) parts.metrics.finding(id);
  return { ending: isBad ? 'error' : 'accept', remarks: worstFirst([...causes.map(remarkOnFault), ...remarks]), verdicts };
}

async function severalOf(
  readings: Parameters<Intake['several']>[0],
  exchange: Exchange,
  parts: MessageParts,
): Promise<readonly OneOfSeveral[] | ServiceError> {
  try {
    return await parts.intake(exchange.call).several(readings.map(({ observation, replaces }) => ({ observation, replaces })));
  } catch (error) {
    if (error instanceof ServiceError) return error;
    throw error;
  }
}

function verdictOf(answer: OneOfSeveral): Counted {
  return answer instanceof ServiceError ? 'refused' : countedAs(answer.status, answer);
}

const RANK = { E: 0, W: 1, I: 2 } as const;

function worstFirst(remarks: readonly Remark[]): Remark[] {
  return [...remarks].sort((one, other) => RANK[one.severity] - RANK[other.severity]);
}

function atFault(ending: Ending, faults: readonly V2Fault[]): Outcome {
  return { ending, remarks: faults.map(remarkOnFault), verdicts: [] };
}

async function turnedAway(ending: Ending, problem: V2Fault, exchange: Exchange, parts: MessageParts): Promise<Outcome> {
  await record(exchange, [problem], ending, parts);
  return atFault(ending, [problem]);
}

const ROUTE = ['route', 'MLLP'] as const;

/** What was sent and not judged is an event all the same, as it is over HTTP. */
async function record({ call }: Exchange, faults: readonly V2Fault[], ending: Ending, { audit }: MessageParts): Promise<void> {
  await audit.recordIfPossible({
    interaction: 'create',
    ...call,
    outcome: 'minor',
    outcomeText: ending === 'reject' ? 'AR' : 'AE',
    details: [ROUTE, ...[...new Set(faults.map(({ code }) => ruleIdOf(code)))].map((id) => ['rule', id] as const)],
  });
}

async function refuseAccess(problem: string, exchange: Exchange, parts: MessageParts): Promise<Outcome> {
  await accessRefused(exchange, parts);
  return atFault('error', [fault('ERR_FORBIDDEN', CONDITION.unknownKey, problem)]);
}

/** Of readings that their sender may not send; those that ended otherwise have left their own event. */
async function recordRefusals(answers: readonly OneOfSeveral[], exchange: Exchange, parts: MessageParts): Promise<void> {
  for (const answer of answers)
    if (answer instanceof ServiceError && answer.row.status === ERRORS.ERR_FORBIDDEN.status) await accessRefused(exchange, parts);
}

async function accessRefused({ call }: Exchange, { audit }: MessageParts): Promise<void> {
  const { client = '' } = call.caller;
  await audit.accessRefused(JSON.stringify([client, 'MLLP']), {
    interaction: 'create',
    event: 'access-refused',
    ...call,
    outcome: 'minor',
    outcomeText: 'AE',
    details: [ROUTE, ['rule', ruleIdOf('ERR_FORBIDDEN')]],
  });
}

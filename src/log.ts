/**
 * The log: one JSON object a line, of fields that are allowed by name and of nothing else.
 *
 * No function here takes a resource, a URL, a header or an error's message, since any of them can
 * hold patient data. Callers hand over facts; what is not a named field cannot be written.
 */
import { pino, type DestinationStream } from 'pino';
import type { LogLevel } from './config.ts';
import type { FileProblem } from './policy-file.ts';
import type { GatewaysReload } from './gateways.ts';
import type { Reload } from './policy-in-force.ts';
import type { Restored } from './restored.ts';
import type { AuditFault, AuditPlace } from './ports.ts';

/** What is known of one answered request. */
export interface RequestFacts {
  readonly requestId: string;
  readonly method: string;
  /** The route's pattern (`/fhir/Observation/:id`), never the path that was asked for. */
  readonly route: string;
  readonly status: number;
  readonly durationMs: number;
  readonly verdicts?: readonly string[];
  readonly ruleIds?: readonly string[];
}

/** What is known of one answered HL7 v2 message: nothing that it holds. */
export interface MessageFacts {
  /** Also MSH-10 of the answer. */
  readonly requestId: string;
  /** MSA-1; `none` when its sender wanted no answer. */
  readonly answer: string;
  readonly ending: 'accept' | 'error' | 'reject';
  readonly durationMs: number;
  readonly verdicts: readonly string[];
  readonly ruleIds: readonly string[];
}

export interface ServingFacts {
  readonly url: string;
  /** Where HL7 v2 is taken in over MLLP, when it is. */
  readonly mllp?: string;
  /** Kind of store, without its address. */
  readonly store: string;
  /** Version of the running policy. */
  readonly policy: string;
  /** Version of the growth tables, when there are some. */
  readonly growthTables?: string;
}

/** What is known of one outbox item: its number and what came of it. */
export interface ForwardingFacts {
  readonly item?: number;
  /** Number of a subscription. */
  readonly subscription?: number;
  /** Of the call that the item comes from. */
  readonly requestId?: string;
  readonly tries?: number;
  readonly status?: number;
  readonly issueCodes?: readonly string[];
  readonly kind?: string;
  /** Names of elements, never their values. */
  readonly elements?: readonly string[];
  /** Name or code of an error of ours. */
  readonly error?: string;
}

type ForwardingLine = (facts: ForwardingFacts, message: string) => void;

export interface Log {
  /** The first line once the service answers. */
  listening(facts: ServingFacts): void;
  /** What came of reading the policy file again. Names stand there as in the file; values never. */
  reloaded(reload: Reload): void;
  /** The store is a backup that was put in place. */
  restored(restored: Restored): void;
  /** Number and hash of the last audit event, to be compared with later. */
  auditHead(head: AuditPlace): void;
  /** Audit events began to wait for a store that cannot commit, were written after all, or are lost at the end. */
  auditWaiting(state: 'begun' | 'over' | 'lost', events: number): void;
  /** What came of reading the gateways file again. */
  gatewaysReloaded(reload: GatewaysReload): void;
  /** What came of asking for the keys that tokens are checked with, when it is not what came of it before. */
  keys(event: { readonly kind: 'loaded'; readonly keys: number } | { readonly kind: 'failed'; readonly error: unknown }): void;
  /** What came of reading what the provider where people sign in serves, when it is not what came of it before. */
  identityProvider(event: { readonly kind: 'loaded' } | { readonly kind: 'failed'; readonly error: unknown }): void;
  /** An audit event is not as it was written. */
  auditBroken(bad: { readonly number: number; readonly fault: AuditFault }): void;
  stopping(signal: string): void;
  stopped(): void;
  request(facts: RequestFacts): void;
  /** An HL7 v2 message was answered. */
  v2Message(facts: MessageFacts): void;
  /** How many answers of a status got no line of their own, see `http/request-log.ts`. */
  leftOut(facts: { readonly status: number; readonly count: number }): void;
  readonly forwarding: Readonly<Record<'debug' | 'info' | 'warn' | 'error', ForwardingLine>>;
  /** An error that nobody foresaw: its class, code and place, not its message. */
  fault(error: unknown, facts: { readonly requestId?: string; readonly during: string }): void;
}

/** @param destination standard output when absent */
export function createLog(level: LogLevel, destination?: DestinationStream): Log {
  const options = {
    level,
    base: null,
    timestamp: pino.stdTimeFunctions.isoTime,
    formatters: { level: (label: string) => ({ level: label }) },
  };
  const logger = destination ? pino(options, destination) : pino(options);
  const forwarding =
    (severity: 'debug' | 'info' | 'warn' | 'error'): ForwardingLine =>
    ({ item, subscription, requestId, tries, status, issueCodes, kind, elements, error }, message) =>
      logger[severity]({ item, subscription, requestId, tries, status, issueCodes, kind, elements, error }, message);
  return {
    forwarding: { debug: forwarding('debug'), info: forwarding('info'), warn: forwarding('warn'), error: forwarding('error') },
    listening: ({ url, mllp, store, policy, growthTables }) => logger.info({ url, mllp, store, policy, growthTables }, 'listening'),
    reloaded: (reload) => {
      if (reload.kind === 'loaded') logger.info({ before: reload.before, policy: reload.now }, 'policy loaded');
      else if (reload.kind === 'kept')
        logger.error({ policy: reload.now, problems: reload.problems.map(shortened) }, 'policy kept: the file is broken');
      else logger.info({ policy: reload.now }, 'policy kept: there is no file to reload');
    },
    restored: ({ takenAt, distrusted }) =>
      logger.warn({ takenAt, distrusted }, 'restored from a backup: the EHR is asked what it has before anything is sent again'),
    auditHead: ({ number, hash }) => logger.info({ number, hash }, 'audit head'),
    auditWaiting: (state, events) =>
      logger[state === 'over' ? 'info' : 'error'](
        { events },
        state === 'begun'
          ? 'audit events wait: the store cannot commit'
          : state === 'over'
            ? 'audit events were written after all'
            : 'audit events are lost: the store could not commit before the end',
      ),
    gatewaysReloaded: (reload) => {
      if (reload.kind === 'loaded') logger.info({ gateways: reload.gateways }, 'gateways loaded');
      else if (reload.kind === 'kept') logger.error({ problems: reload.problems.map(shortened) }, 'gateways kept: the file is broken');
    },
    keys: (event) => {
      if (event.kind === 'loaded') logger.info({ keys: event.keys }, 'keys for tokens loaded');
      else logger.error(describeError(event.error), 'keys for tokens cannot be read');
    },
    identityProvider: (event) => {
      if (event.kind === 'loaded') logger.info('identity provider read');
      else logger.error(describeError(event.error), 'identity provider cannot be read: nobody can sign in');
    },
    auditBroken: ({ number, fault }) => logger.error({ number, fault }, 'audit chain broken'),
    stopping: (signal) => logger.info({ signal }, 'stopping'),
    stopped: () => logger.info('stopped'),
    request: ({ requestId, method, route, status, durationMs, verdicts, ruleIds }) =>
      logger[status >= 500 ? 'error' : 'info']({ requestId, method, route, status, durationMs, verdicts, ruleIds }, 'answered'),
    v2Message: ({ requestId, answer, ending, durationMs, verdicts, ruleIds }) =>
      logger[ending === 'accept' ? 'info' : 'warn']({ requestId, answer, durationMs, verdicts, ruleIds }, 'message answered'),
    leftOut: ({ status, count }) => logger.warn({ status, count }, 'answers left out of the log'),
    fault: (error, { requestId, during }) => logger.error({ requestId, during, ...describeError(error) }, 'fault'),
  };
}

const LONGEST_NAME = 100;

/** A file that is no policy at all may have names of any length. */
function shortened({ name, problem }: FileProblem): FileProblem {
  return name === undefined ? { problem } : { name: name.slice(0, LONGEST_NAME), problem };
}

interface ErrorFacts {
  readonly error: string;
  readonly code?: string;
  /** Call sites, innermost first. */
  readonly at?: readonly string[];
  readonly cause?: ErrorFacts;
}

/** Class, code and call sites of an error and its causes. Messages may quote what was sent. */
function describeError(error: unknown, depth = 0): ErrorFacts {
  if (!(error instanceof Error)) return { error: typeof error };
  const code = 'code' in error && typeof error.code === 'string' && /^[A-Z0-9_]{1,64}$/.test(error.code) ? error.code : undefined;
  const at = callSites(error);
  return {
    error: error.constructor.name,
    ...(code !== undefined && { code }),
    ...(at.length > 0 && { at }),
    ...(error.cause !== undefined && depth < 3 && { cause: describeError(error.cause, depth + 1) }),
  };
}

function callSites({ stack = '', message }: Error): string[] {
  // the message comes first and may itself have lines that look like call sites
  const afterMessage = stack.slice(stack.indexOf(message) + message.length);
  return (afterMessage.match(/^ {4}at .+$/gm) ?? []).slice(0, 8).map((line) => line.trim());
}

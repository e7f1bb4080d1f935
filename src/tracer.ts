/**
 * What the parts say to whoever traces calls. Contexts are `traceparent` headers (W3C Trace Context
 * level 1), plain text that can be kept with an outbox item; nobody needs a tracing library for it.
 *
 * Attributes hold routes, verdicts, rule ids and statuses: never patient data, as in the log.
 */
export type Attributes = Readonly<Record<string, string | number | string[]>>;

export interface SpanOptions {
  readonly name: string;
  /** `server`: a call that we answer, `client`: one that we make, `internal`: work of our own. */
  readonly kind: 'server' | 'client' | 'internal';
  /** `traceparent` of what caused it; by default what is under way where it begins. */
  readonly parent?: string | undefined;
  readonly attributes?: Attributes;
}

export interface Span {
  /** For what is called from here, in this process or another. Absent while nothing is traced. */
  readonly traceParent?: string;
  rename(name: string): void;
  note(attributes: Attributes): void;
  /** It ended badly; `why` is a status or a code. */
  fail(why: string): void;
  end(): void;
}

export interface Tracer {
  /** Begins a span that the caller ends. */
  begin(options: SpanOptions): Span;
  /** Does work in a span that ends with it, and fails when it throws. */
  within<Result>(options: SpanOptions, work: (span: Span) => Promise<Result>): Promise<Result>;
  /** Does work as part of what `traceParent` names. */
  under<Result>(traceParent: string | undefined, work: () => Result): Result;
  /** Hands over what is finished, for so long at most. Never throws. */
  stop(longestMs: number): Promise<void>;
}

const NO_SPAN: Span = Object.freeze({
  rename: () => undefined,
  note: () => undefined,
  fail: () => undefined,
  end: () => undefined,
});

/** Traces nothing, and costs nothing. */
export const NO_TRACER: Tracer = Object.freeze({
  begin: () => NO_SPAN,
  within: <Result>(_options: SpanOptions, work: (span: Span) => Promise<Result>) => work(NO_SPAN),
  under: <Result>(_traceParent: string | undefined, work: () => Result) => work(),
  stop: () => Promise.resolve(),
});
